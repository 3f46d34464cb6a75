// Unsaved edits of one site: kept in this browser until they are saved, undone step by step, before and after saving.
//
//   const draft = await Draft.open("clinic");
//   draft.set(["mounts", 0, "height_m"], 2.5);
//   draft.edits            what a check or save sends to the server
//   draft.site             the site's values with the edits in them
//   draft.addEventListener("change", ...)   after every edit, undo, save or answer of the server
//   await draft.save();    asks field by field where someone else changed the same

import { ApiError, get, send, siteAddress } from "./api.js";
import { askConflict } from "./conflict.js";
import { alertUser } from "./fields.js";

const KEPT_STEPS = 300;

export const samePath = (one, other) => JSON.stringify(one) === JSON.stringify(other);

export function valueAt(values, path) {
  return path.reduce((at, step) => (at === undefined || at === null ? undefined : at[step]), values);
}

// The values with one edit in them; what is not on the path is shared.
export function applied(values, edit, depth = 0) {
  const step = edit.path[depth];
  const copy = Array.isArray(values) || (values === undefined && typeof step === "number") ? [...(values ?? [])] : { ...values };
  if (depth === edit.path.length - 1) {
    if (edit.remove) Array.isArray(copy) ? copy.splice(step, 1) : delete copy[step];
    else copy[step] = edit.value;
  } else {
    copy[step] = applied(copy[step], edit, depth + 1);
  }
  return copy;
}

export class Draft extends EventTarget {
  constructor(document) {
    super();
    this.name = document.name;
    this.file = document.file;
    this.files = document.files ?? [];
    this.fault = document.fault ?? null;
    this.revision = document.revision;
    this.base = document.site;
    this.pending = []; // edits since the last save, in order
    this.done = []; // steps that undo takes back: {edit, inverse}
    this.undone = [];
    this.saving = null;
    this.#restore();
  }

  static async open(name) {
    return new Draft(await get(siteAddress(name)));
  }

  get site() {
    if (this.#site === undefined) this.#site = this.pending.reduce((values, edit) => applied(values, edit), this.base);
    return this.#site;
  }

  get edits() {
    return this.pending.map(({ path, value, remove }) => (remove ? { path, remove } : { path, value }));
  }

  get changed() {
    return this.pending.length > 0;
  }

  get canUndo() {
    return this.done.length > 0;
  }

  get canRedo() {
    return this.undone.length > 0;
  }

  value(path) {
    return valueAt(this.site, path);
  }

  // Puts a value at a path. gesture: edits of the same path with the same gesture (a drag) are one step of undo.
  // group: edits of several paths with the same group are undone together.
  set(path, value, { gesture, group } = {}) {
    if (value === undefined || value === null || value === "") return this.remove(path, { group });
    const before = this.value(path);
    if (JSON.stringify(before) === JSON.stringify(value)) return undefined;
    const last = this.pending.at(-1);
    if (gesture && last?.gesture === gesture && samePath(last.path, path)) {
      last.value = value;
      return this.#changed();
    }
    const inverse = before === undefined ? { path, remove: true } : { path, value: before };
    return this.#do({ path, value, gesture }, inverse, group);
  }

  remove(path, { group } = {}) {
    const before = this.value(path);
    if (before === undefined) return undefined;
    const parent = path.slice(0, -1);
    const inList = typeof path.at(-1) === "number";
    return this.#do({ path, remove: true }, inList ? { path: parent, value: this.value(parent) } : { path, value: before }, group);
  }

  append(path, value) {
    return this.set([...path, (this.value(path) ?? []).length], value);
  }

  undo() {
    let step = this.done.at(-1);
    if (!step) return;
    const { group } = step;
    do {
      this.done.pop();
      this.undone.push(step);
      if (this.pending.at(-1) === step.edit) this.pending.pop();
      else this.pending.push({ ...step.inverse });
      step = this.done.at(-1);
    } while (group && step?.group === group);
    this.#changed();
  }

  redo() {
    let step = this.undone.at(-1);
    if (!step) return;
    const { group } = step;
    do {
      this.undone.pop();
      this.done.push(step);
      this.pending.push(step.edit);
      step = this.undone.at(-1);
    } while (group && step?.group === group);
    this.#changed();
  }

  // Drops all unsaved edits and reads the site again.
  async discard() {
    const now = await get(siteAddress(this.name));
    this.pending = [];
    this.done = [];
    this.undone = [];
    this.#take(now);
  }

  // Saves; gives true when it is saved, false where the person went back to editing. Raises ApiError.
  async save() {
    if (!this.changed) return true;
    if (this.saving) return this.saving;
    this.saving = this.#save().finally(() => { this.saving = null; });
    return this.saving;
  }

  async #save() {
    for (;;) {
      const sent = this.pending.length;
      try {
        const now = await send("PATCH", siteAddress(this.name), { revision: this.revision, edits: this.edits });
        this.pending = this.pending.slice(sent); // typed while it was saved
        this.#take(now);
        this.dispatchEvent(new Event("saved"));
        return true;
      } catch (fault) {
        if (!(fault instanceof ApiError) || fault.status !== 409 || !fault.body.site) throw fault;
        const theirs = fault.body;
        if (theirs.fields.length) {
          const kept = await askConflict(this, theirs);
          if (kept === null) return false;
          this.pending = this.pending.filter((edit) => kept.some((path) => samePath(path, edit.path))
            || !theirs.fields.some((path) => samePath(path, edit.path)));
          this.done = this.done.filter((step) => this.pending.includes(step.edit));
          this.undone = [];
        }
        this.#take(theirs);
        if (!this.changed) return true;
      }
    }
  }

  #site;

  #take(document) {
    this.revision = document.revision;
    this.base = document.site;
    this.files = document.files ?? this.files;
    this.fault = document.fault ?? null;
    this.#changed();
  }

  #do(edit, inverse, group) {
    this.pending.push(edit);
    this.done.push({ edit, inverse, group });
    if (this.done.length > KEPT_STEPS) this.done.shift();
    this.undone = [];
    this.#changed();
  }

  #changed() {
    this.#site = undefined;
    this.#keep();
    this.dispatchEvent(new Event("change"));
  }

  get key() {
    return `skysill-draft:${this.name}`;
  }

  #keep() {
    try {
      if (!this.changed) localStorage.removeItem(this.key);
      else localStorage.setItem(this.key, JSON.stringify({ revision: this.revision, pending: this.pending }));
    } catch {
      // private windows keep nothing; the edits still live in this page
    }
  }

  #restore() {
    let kept = null;
    try {
      kept = JSON.parse(localStorage.getItem(this.key));
    } catch {
      return;
    }
    if (!kept?.pending?.length) return;
    this.revision = kept.revision; // an older one makes the server compare field by field
    for (const edit of kept.pending) {
      try {
        const before = this.value(edit.path);
        const inverse = before === undefined ? { path: edit.path, remove: true } : { path: edit.path, value: before };
        this.pending.push(edit);
        this.#site = undefined;
        void this.site;
        this.done.push({ edit, inverse });
      } catch {
        this.pending.pop();
        this.#site = undefined;
      }
    }
  }
}

// Buttons for undo, redo, save and discard in an element, and Ctrl+Z, Ctrl+Y, Ctrl+S.
// failed(error): shows what the server refused; default: at its field, see fields.js.
export function saveBar(draft, element, failed) {
  const button = (word, act, kind = "") => {
    const made = document.createElement("button");
    made.type = "button";
    made.textContent = word;
    made.className = kind;
    made.addEventListener("click", act);
    element.append(made);
    return made;
  };
  element.classList.add("save-bar");
  const said = document.createElement("span");
  said.setAttribute("role", "status");
  said.className = "said";
  const save = async () => {
    try {
      if (await draft.save()) said.textContent = `Saved in ${draft.file}.`;
    } catch (fault) {
      failed(fault);
    }
  };
  const buttons = {
    save: button("Save", save, "main"),
    undo: button("Undo", () => draft.undo()),
    redo: button("Redo", () => draft.redo()),
    discard: button("Discard", () => draft.discard().catch(failed)),
  };
  element.append(said);
  const show = () => {
    const count = draft.pending.length;
    said.textContent = count === 0 ? `${draft.file}: all saved.` : `${count} unsaved ${count === 1 ? "change" : "changes"}, kept in this browser.`;
    buttons.save.disabled = buttons.discard.disabled = count === 0;
    buttons.undo.disabled = !draft.canUndo;
    buttons.redo.disabled = !draft.canRedo;
  };
  draft.addEventListener("change", show);
  document.addEventListener("keydown", (event) => {
    if (!(event.ctrlKey || event.metaKey) || event.altKey) return;
    const key = event.key.toLowerCase();
    if (key === "s") save();
    else if (/^(input|textarea)$/i.test(event.target.tagName) && event.target.type !== "range") return; // the field's own undo
    else if (key === "z" && !event.shiftKey) draft.undo();
    else if (key === "y" || (key === "z" && event.shiftKey)) draft.redo();
    else return;
    event.preventDefault();
  });
  // one browser keeps one set of unsaved edits a site, whichever window typed last
  window.addEventListener("storage", (event) => {
    if (event.key === draft.key && event.newValue && draft.changed) {
      alertUser("Another window of this browser is editing this site too. Save here before you close or reload this window.");
    }
  });
  show();
}
