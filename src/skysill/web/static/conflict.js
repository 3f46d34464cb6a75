// Two people changed the same site: each field that both changed, mine and theirs, one choice for each.

import { valueAt } from "./draft.js";

const words = (path) => path.map((step) => (typeof step === "number" ? `number ${step + 1}` : String(step).replaceAll("_", " "))).join(", ");
const shown = (value) => (value === undefined ? "nothing" : typeof value === "string" ? value : JSON.stringify(value));

// Gives the paths whose own value is kept, or null where the person wants to look again before saving.
export function askConflict(draft, theirs) {
  const dialog = document.createElement("dialog");
  dialog.className = "conflict";
  dialog.setAttribute("aria-labelledby", "conflict-title");
  const form = document.createElement("form");
  form.method = "dialog";
  const title = document.createElement("h2");
  title.id = "conflict-title";
  title.textContent = "Someone else changed the same";
  const note = document.createElement("p");
  note.textContent = `${theirs.error} Choose for each value below. Everything else of both is kept.`;
  form.append(title, note);
  theirs.fields.forEach((path, number) => {
    const group = document.createElement("fieldset");
    const legend = document.createElement("legend");
    legend.textContent = words(path);
    group.append(legend);
    for (const [kind, value] of [["mine", draft.value(path)], ["theirs", valueAt(theirs.site, path)]]) {
      const label = document.createElement("label");
      const choice = document.createElement("input");
      choice.type = "radio";
      choice.name = `field-${number}`;
      choice.value = kind;
      choice.required = true;
      const strong = document.createElement("strong");
      strong.textContent = kind === "mine" ? " Mine: " : " Theirs: ";
      label.append(choice, strong, shown(value));
      group.append(label);
    }
    form.append(group);
  });
  const row = document.createElement("p");
  for (const [word, value, kind] of [["Save with these", "save", "main"], ["Look again first", "", ""]]) {
    const button = document.createElement("button");
    button.value = value;
    button.textContent = word;
    button.className = kind;
    if (!value) button.formNoValidate = true;
    row.append(button);
  }
  form.append(row);
  dialog.append(form);
  document.body.append(dialog);
  dialog.showModal();
  return new Promise((resolve) => {
    dialog.addEventListener("close", () => {
      const choices = new FormData(form);
      const kept = theirs.fields.filter((_, number) => choices.get(`field-${number}`) === "mine");
      dialog.remove();
      resolve(dialog.returnValue === "save" ? kept : null);
    });
  });
}
