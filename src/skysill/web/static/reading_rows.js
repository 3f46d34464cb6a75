// The rows of readings as fields: typed with the keyboard alone, pasted, dropped.

// What a reading is: one key each. code: kind and leaf as the table has them.
export const WHATS = [
  { key: "n", code: "|", word: "Not stated" },
  { key: "w", code: "building|", word: "Wall or building" },
  { key: "t", code: "tree|in-leaf", word: "Tree in leaf" },
  { key: "b", code: "tree|bare", word: "Bare tree" },
  { key: "h", code: "hedge|in-leaf", word: "Hedge in leaf" },
  { key: "l", code: "hedge|bare", word: "Leafless hedge" },
  { key: "g", code: "ground|", word: "Ground or hill" },
  { key: "o", code: "other|", word: "Other" },
];
const FIELDS = [
  { name: "azimuth_deg", word: "Bearing", unit: "°", number: true },
  { name: "elevation_deg", word: "Elevation", unit: "°", number: true },
  { name: "distance_m", word: "Distance", unit: "m" },
  { name: "what", word: "What it is" },
  { name: "note", word: "Note" },
  { name: "station", word: "Station", more: true },
  { name: "growth_m_per_year", word: "Growth", unit: "m a year", number: true, more: true },
];
const plain = (text) => (text ?? "").trim().toLowerCase().replaceAll(/[ _]+/g, "-").replace(/^[-?]$/, "");

export class ReadingRows {
  // list: the <ol>; suggest: () -> the azimuth that a new row offers, as text; pasted: (text, rowId) -> promise
  constructor(list, draft, { suggest, pasted }) {
    this.list = list;
    this.draft = draft;
    this.suggest = suggest;
    this.pasted = pasted;
    this.blank = null;
    this.faults = new Map();
    list.addEventListener("keydown", (event) => this.#key(event));
    list.addEventListener("change", (event) => this.#change(event));
    list.addEventListener("paste", (event) => this.#paste(event));
    list.addEventListener("click", (event) => this.#click(event));
    draft.addEventListener("change", () => this.show());
    this.show();
  }

  show() {
    const rows = this.draft.rows;
    const there = new Map([...this.list.children].map((item) => [item.dataset.id, item]));
    if (this.blank && rows.some((row) => row.id === this.blank)) this.blank = null;
    this.blank ??= `b${Math.random().toString(36).slice(2)}`;
    const wanted = [...rows, { id: this.blank, key: null, cells: {}, text: "" }];
    const ids = new Set(wanted.map((row) => row.id));
    for (const [id, item] of there) if (!ids.has(id)) item.remove();
    let before = null;
    wanted.forEach((row, number) => {
      let item = there.get(row.id);
      if (item && (item.dataset.kind === "text") !== Boolean(row.text)) {
        item.remove();
        item = null;
      }
      if (!item) item = this.#made(row);
      const place = before ? before.nextElementSibling : this.list.firstElementChild;
      if (place !== item) this.list.insertBefore(item, place); // only what moved is moved: focus stays
      this.#fill(item, row, number + 1);
      before = item;
    });
    this.suggestNext();
  }

  suggestNext() {
    const item = this.list.lastElementChild;
    const input = item?.querySelector('[name="azimuth_deg"]');
    if (input) input.placeholder = this.suggest() ?? "";
  }

  // faults: for each row of the draft, a list of {field, text}
  showFaults(faults) {
    this.draft.rows.forEach((row, number) => {
      const item = this.#item(row.id);
      if (item) this.#faults(item, faults[number] ?? []);
    });
  }

  focus(id, name = "azimuth_deg") {
    const item = id ? this.#item(id) : this.list.lastElementChild;
    const input = item?.querySelector(`[name="${name}"]`) ?? item?.querySelector("input");
    input?.focus();
    input?.select?.();
  }

  focusFault(row, field) {
    const item = this.list.children[row - 1];
    const name = field === "kind" || field === "leaf" ? "what" : field;
    const input = item?.querySelector(`[name="${CSS.escape(name ?? "azimuth_deg")}"]`) ?? item?.querySelector("input");
    input?.focus();
  }

  #item(id) {
    return this.list.querySelector(`[data-id="${CSS.escape(id)}"]`);
  }

  #made(row) {
    const item = document.createElement("li");
    item.className = "reading";
    item.dataset.id = row.id;
    item.dataset.kind = row.text ? "text" : "cells";
    const number = document.createElement("span");
    number.className = "row-number";
    number.setAttribute("aria-hidden", "true");
    item.append(number);
    if (row.text) {
      const input = document.createElement("input");
      input.name = "text";
      input.className = "as-text";
      input.autocomplete = "off";
      item.append(input);
    } else {
      for (const field of FIELDS) item.append(this.#field(field));
    }
    for (const [kind, sign] of [["insert", "+"], ["remove", "×"]]) {
      const button = document.createElement("button");
      button.type = "button";
      button.className = `row-button row-${kind}`;
      button.dataset.act = kind;
      button.textContent = sign;
      item.append(button);
    }
    const said = document.createElement("p");
    said.className = "field-error";
    said.id = `${row.id}-said`;
    item.append(said);
    return item;
  }

  #field(field) {
    const input = document.createElement(field.name === "what" ? "select" : "input");
    input.name = field.name;
    input.className = `cell cell-${field.name}`;
    if (field.more) input.classList.add("more-cell");
    if (field.name === "what") {
      for (const { code, word, key } of WHATS) input.add(new Option(`${word} (${key})`, code));
    } else {
      input.autocomplete = "off";
      input.enterKeyHint = "next";
      if (field.number) input.inputMode = "decimal";
      if (field.name === "station") input.setAttribute("list", "stations");
      if (field.name === "note") input.placeholder = field.word;
      if (field.more) input.placeholder = field.unit ? `${field.word}, ${field.unit}` : field.word;
    }
    return input;
  }

  #fill(item, row, number) {
    item.querySelector(".row-number").textContent = number;
    const isBlank = row.id === this.blank;
    for (const field of FIELDS) {
      const input = item.querySelector(`[name="${field.name}"]`);
      if (!input) continue;
      const unit = field.unit ? `, ${field.unit === "°" ? "degrees" : field.unit === "m" ? "metres" : field.unit}` : "";
      input.setAttribute("aria-label", `${field.word} of row ${number}${unit}`);
      if (input === document.activeElement && input.value !== (row.cells[field.name] ?? "") && isBlank) continue;
      if (field.name === "what") this.#fillWhat(input, row.cells);
      else if (input !== document.activeElement || !isBlank) input.value = row.cells[field.name] ?? "";
    }
    const text = item.querySelector('[name="text"]');
    if (text) {
      text.value = row.text;
      text.setAttribute("aria-label", `Row ${number} as it stands in the table`);
    }
    item.querySelector(".row-insert").setAttribute("aria-label", `Insert a row after row ${number}`);
    item.querySelector(".row-remove").setAttribute("aria-label", `Remove row ${number}`);
    for (const button of item.querySelectorAll("button")) button.hidden = isBlank;
    item.classList.toggle("blank", isBlank);
  }

  #fillWhat(select, cells) {
    const code = `${plain(cells.kind)}|${plain(cells.leaf)}`;
    if (![...select.options].some((option) => option.value === code)) {
      const words = [cells.kind, cells.leaf].filter((word) => (word ?? "").trim()).join(", ");
      select.add(new Option(words, code)); // a kind that the table has and the keys do not
    }
    select.value = code;
  }

  #faults(item, faults) {
    for (const input of item.querySelectorAll("[aria-invalid]")) {
      input.removeAttribute("aria-invalid");
      input.removeAttribute("aria-describedby");
    }
    const said = item.querySelector(".field-error");
    item.classList.toggle("faulty", faults.length > 0);
    said.textContent = faults.map((fault) => {
      const name = fault.field === "kind" || fault.field === "leaf" ? "what" : fault.field;
      const input = item.querySelector(`[name="${CSS.escape(name || "text")}"]`) ?? item.querySelector("input");
      input.setAttribute("aria-invalid", "true");
      input.setAttribute("aria-describedby", said.id);
      const field = FIELDS.find((one) => one.name === name);
      return field ? `${field.word}: ${fault.text}` : fault.text;
    }).join(" ");
  }

  #commit(input) {
    const id = input.closest(".reading").dataset.id;
    if (input.name === "text") {
      if (input.value !== this.draft.row(id)?.text) this.pasted(input.value, id, true);
    } else if (input.name === "what") {
      const [kind, leaf] = input.value.split("|");
      this.draft.setCells(id, { kind, leaf });
    } else {
      this.draft.setCell(id, input.name, input.value);
    }
  }

  #change(event) {
    if (event.target.name) this.#commit(event.target);
  }

  #shown(item) {
    return [...item.querySelectorAll(".cell, .as-text")].filter((input) => input.offsetParent !== null);
  }

  #key(event) {
    const input = event.target;
    const item = input.closest(".reading");
    if (!item || event.isComposing || input.tagName === "BUTTON") return;
    if (event.key === "Enter" && (event.ctrlKey || event.metaKey)) {
      event.preventDefault();
      this.#commit(input);
      this.#insert(item.dataset.id);
    } else if (event.key === "Enter") {
      event.preventDefault();
      this.#enter(input, item, event.shiftKey ? -1 : 1);
    } else if ((event.key === "Delete" || event.key === "Backspace") && (event.ctrlKey || event.metaKey) && event.shiftKey) {
      event.preventDefault();
      this.#remove(item);
    } else if ((event.key === "ArrowDown" || event.key === "ArrowUp") && input.tagName === "INPUT" && !event.altKey) {
      event.preventDefault();
      this.#commit(input);
      const other = event.key === "ArrowDown" ? item.nextElementSibling : item.previousElementSibling;
      const there = other?.querySelector(`[name="${input.name}"]`) ?? other?.querySelector("input");
      there?.focus();
      there?.select?.();
    } else if (input.name === "what" && event.key.length === 1 && !event.ctrlKey && !event.metaKey && !event.altKey) {
      const what = WHATS.find((one) => one.key === event.key.toLowerCase());
      if (!what) return;
      event.preventDefault();
      input.value = what.code;
      this.#commit(input);
    }
  }

  #enter(input, item, step) {
    if (input.name === "azimuth_deg" && !input.value && input.placeholder && step > 0) input.value = input.placeholder;
    this.#commit(input);
    const fields = this.#shown(item);
    let next = fields[fields.indexOf(input) + step];
    if (!next) {
      const other = step > 0 ? item.nextElementSibling : item.previousElementSibling;
      next = other && (step > 0 ? this.#shown(other)[0] : this.#shown(other).at(-1));
    }
    next?.focus();
    next?.select?.();
  }

  #insert(id) {
    const [fresh] = this.draft.insert(id, [{ cells: {} }]);
    this.focus(fresh.id);
  }

  #remove(item) {
    const next = item.nextElementSibling ?? item.previousElementSibling;
    const id = item.dataset.id;
    if (id === this.blank) return;
    this.draft.removeRow(id);
    next?.querySelector("input")?.focus();
  }

  #click(event) {
    const button = event.target.closest("[data-act]");
    if (!button) return;
    const item = button.closest(".reading");
    if (button.dataset.act === "insert") this.#insert(item.dataset.id);
    else this.#remove(item);
  }

  #paste(event) {
    const text = event.clipboardData?.getData("text/plain") ?? "";
    if (!/[\t\n\r]/.test(text.trim())) return; // one cell: the field takes it
    event.preventDefault();
    this.pasted(text, event.target.closest(".reading")?.dataset.id, false);
  }
}

