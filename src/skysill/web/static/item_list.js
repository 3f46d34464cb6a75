// A list of the site file ([[landmarks]], for instance): its items as fields, and a form for one more. What stands in the
// form stays in this browser until it is added.

import { bindFields, parseNumber } from "./fields.js";

let counter = 0;

const toLocal = (text) => (typeof text === "string" ? text.slice(0, 16) : "");
const toTime = (text) => (text ? `${text.length === 16 ? `${text}:00` : text}+00:00` : undefined);

// root: element to fill; path: of the list; fields: {name, word, kind: text|number|time|choice, options, hint, mode};
// noun: in labels; shown: which items appear, by their values; title: of an item in words
export class ItemList {
  constructor(root, draft, { path, fields, noun, shown = () => true, title = (item) => item.name ?? "", hidden = "" }) {
    Object.assign(this, { root, draft, path, fields, noun, shown, title, hidden });
    this.items = document.createElement("div");
    this.form = this.#form();
    root.append(this.items, this.form);
    this.stood = null;
    draft.addEventListener("change", () => this.show());
    this.show();
  }

  get #values() {
    return this.draft.value(this.path) ?? [];
  }

  show() {
    const values = this.#values;
    const stand = JSON.stringify(values.map((item) => [this.shown(item), this.fields.map((field) => field.name in item)]));
    if (stand !== this.stood) {
      const focused = document.activeElement?.dataset?.path;
      this.stood = stand;
      this.items.replaceChildren(...values.map((item, number) => (this.shown(item) ? this.#item(item, number) : null)).filter(Boolean));
      const rest = values.length - this.items.children.length;
      if (rest && this.hidden) {
        const note = document.createElement("p");
        note.className = "hint";
        note.textContent = `${rest} more ${rest === 1 ? "stands" : "stand"} in the site file ${this.hidden}.`;
        this.items.append(note);
      }
      bindFields(this.items, this.draft);
      if (focused) this.items.querySelector(`[data-path='${CSS.escape(focused)}']`)?.focus();
    }
    for (const input of this.items.querySelectorAll("[data-time]")) {
      if (input !== document.activeElement) input.value = toLocal(this.draft.value(JSON.parse(input.dataset.at)));
    }
  }

  #item(item, number) {
    const group = document.createElement("fieldset");
    group.className = "item";
    const legend = document.createElement("legend");
    legend.textContent = `${this.noun} ${number + 1}${this.title(item) ? `: ${this.title(item)}` : ""}`;
    group.append(legend);
    for (const field of this.fields) {
      const [box, input] = this.#field(field);
      const at = JSON.stringify([...this.path, number, field.name]);
      if (field.kind === "time") {
        input.dataset.time = "yes";
        input.dataset.at = at;
        input.dataset.path = at;
        input.dataset.bound = "yes";
        input.addEventListener("change", () => this.draft.set(JSON.parse(at), toTime(input.value)));
      } else {
        input.dataset.path = at;
        input.dataset.kind = field.kind === "number" ? "number" : "text";
      }
      group.append(box);
    }
    const button = document.createElement("button");
    button.type = "button";
    button.textContent = "Remove";
    button.setAttribute("aria-label", `Remove ${legend.textContent}`);
    button.addEventListener("click", () => {
      this.draft.remove([...this.path, number]);
      this.form.querySelector("input, select").focus();
    });
    group.append(button);
    return group;
  }

  #field({ name, word, kind, options, hint, mode }) {
    const box = document.createElement("div");
    box.className = "field";
    const label = document.createElement("label");
    const input = document.createElement(kind === "choice" ? "select" : "input");
    input.id = `item-${(counter += 1)}`;
    label.htmlFor = input.id;
    label.textContent = word;
    if (kind === "choice") for (const option of options) input.add(new Option(option === "" ? "not stated" : option, option));
    else {
      input.type = kind === "time" ? "datetime-local" : "text";
      input.autocomplete = "off";
      if (kind === "number") input.inputMode = mode ?? "decimal";
    }
    input.dataset.field = name;
    box.append(label, input);
    if (hint) {
      const said = document.createElement("p");
      said.className = "hint";
      said.id = `${input.id}-hint`;
      said.textContent = hint;
      input.setAttribute("aria-describedby", said.id);
      box.append(said);
    }
    return [box, input];
  }

  get #place() {
    return `skysill-typed:${this.draft.name}:${this.path.join(".")}`;
  }

  #form() {
    const form = document.createElement("form");
    form.className = "item new";
    form.noValidate = true;
    const legend = document.createElement("p");
    legend.className = "label";
    legend.textContent = `New ${this.noun.toLowerCase()}`;
    form.setAttribute("aria-label", legend.textContent);
    form.append(legend);
    let kept = {};
    try {
      kept = JSON.parse(localStorage.getItem(this.#place)) ?? {};
    } catch {
      kept = {};
    }
    for (const field of this.fields) {
      const [box, input] = this.#field(field);
      if (kept[field.name]) input.value = kept[field.name];
      form.append(box);
    }
    form.addEventListener("input", () => this.#keep(form));
    const button = document.createElement("button");
    button.type = "submit";
    button.textContent = `Add ${this.noun.toLowerCase()}`;
    form.append(button);
    form.addEventListener("submit", (event) => {
      event.preventDefault();
      this.#add(form);
    });
    return form;
  }

  #keep(form) {
    const typed = Object.fromEntries([...form.querySelectorAll("[data-field]")].map((input) => [input.dataset.field, input.value]));
    try {
      if (Object.values(typed).some(Boolean)) localStorage.setItem(this.#place, JSON.stringify(typed));
      else localStorage.removeItem(this.#place);
    } catch {
      // private windows keep nothing
    }
  }

  #add(form) {
    const item = {};
    for (const input of form.querySelectorAll("[data-field]")) {
      const field = this.fields.find((one) => one.name === input.dataset.field);
      const value = field.kind === "number" ? parseNumber(input.value) : field.kind === "time" ? toTime(input.value) : input.value.trim();
      if (value !== undefined && value !== "") item[field.name] = value;
    }
    if (Object.keys(item).length === 0) {
      form.querySelector("[data-field]").focus();
      return;
    }
    this.draft.append(this.path, item);
    form.reset();
    this.#keep(form);
    form.querySelector("[data-field]").focus();
  }
}
