// The rows of a table of readings: edited, undone, kept in this browser until they are saved.
//
//   const rows = await RowDraft.open("clinic");
//   rows.setCell(row.id, "elevation_deg", "34,5");
//   rows.sent        what the server is told
//   rows.addEventListener("change", ...)   after every edit, undo, save or answer
//
// A row never changes: an edit puts a new object in its place, so that undo can bring the old one back.

import { ApiError, get, send, siteAddress } from "./api.js";

const KEPT_STEPS = 300;
let counter = 0;

const made = ({ key = null, cells = {}, text = "" }, id) => ({ id: id ?? `r${(counter += 1)}`, key, cells, text });
const isEmpty = (row) => !row.text && Object.values(row.cells).every((cell) => !cell.trim());

// Two rows that say the same, wherever they stand.
export function sameReading(one) {
  const cells = Object.entries(one.cells).filter(([, cell]) => cell.trim()).map(([name, cell]) => [name, cell.trim()]);
  return JSON.stringify([cells.sort(), one.text]);
}

export class RowDraft extends EventTarget {
  constructor(name, document) {
    super();
    this.name = name;
    this.done = [];
    this.undone = [];
    this.#take(document);
    this.rows = this.saved;
    this.#restore();
  }

  static async open(name) {
    return new RowDraft(name, await get(siteAddress(name, "/readings")));
  }

  get sent() {
    return this.rows.map(({ key, cells, text }) => ({ key, cells, text }));
  }

  get changed() {
    return this.rows !== this.saved && this.pendingCount > 0;
  }

  get pendingCount() {
    if (this.rows === this.saved) return 0;
    const before = new Set(this.saved);
    const now = new Set(this.rows);
    const added = this.rows.filter((row) => !before.has(row) && !isEmpty(row));
    const ids = new Set(added.map((row) => row.id));
    return added.length + this.saved.filter((row) => !now.has(row) && !ids.has(row.id)).length;
  }

  row(id) {
    return this.rows.find((one) => one.id === id);
  }

  setCell(id, column, text) {
    this.setCells(id, { [column]: text });
  }

  setCells(id, cells) {
    const old = this.row(id);
    const now = { ...(old?.cells ?? {}), ...cells };
    if (!old) {
      if (Object.values(cells).every((cell) => !cell.trim())) return;
      this.#do([...this.rows, made({ cells: now }, id)]);
      return;
    }
    if (Object.entries(cells).every(([name, cell]) => (old.cells[name] ?? "") === cell)) return;
    this.#do(this.rows.map((row) => (row === old ? made({ ...old, cells: now, text: "" }, id) : row)));
  }

  replaceText(id, rows) {
    this.#do(this.rows.flatMap((row) => (row.id === id ? rows.map((one, k) => made({ ...one, key: k ? null : row.key }, k ? undefined : id)) : [row])));
  }

  // Puts rows behind the row with this id, or at the end; gives those that were put in.
  insert(afterId, rows) {
    const at = this.rows.findIndex((row) => row.id === afterId);
    const fresh = rows.map((row) => made({ ...row, key: null }));
    const end = at < 0 ? this.rows.length : at + 1;
    this.#do([...this.rows.slice(0, end), ...fresh, ...this.rows.slice(end)]);
    return fresh;
  }

  // Adds rows that are not there yet. A row with only an azimuth is left out where that azimuth was read.
  add(afterId, rows) {
    const there = new Set(this.rows.map(sameReading));
    const read = new Set(this.rows.map((row) => Number((row.cells.azimuth_deg ?? "").replace(",", "."))));
    const bare = (row) => !row.text && Object.keys(row.cells).length === 1 && "azimuth_deg" in row.cells;
    const fresh = rows.filter((row) => !there.has(sameReading(row)) && !(bare(row) && read.has(Number(row.cells.azimuth_deg.replace(",", ".")))));
    if (fresh.length) this.insert(afterId, fresh);
    return fresh.length;
  }

  removeRow(id) {
    if (this.row(id)) this.#do(this.rows.filter((row) => row.id !== id));
  }

  undo() {
    const before = this.done.pop();
    if (!before) return;
    this.undone.push(this.rows);
    this.rows = before;
    this.#changed();
  }

  redo() {
    const after = this.undone.pop();
    if (!after) return;
    this.done.push(this.rows);
    this.rows = after;
    this.#changed();
  }

  async discard() {
    this.#take(await get(siteAddress(this.name, "/readings")));
    this.rows = this.saved;
    this.done = [];
    this.undone = [];
    this.#changed();
  }

  // Saves; gives the answer of the server, or null where there was nothing to save. Raises ApiError. Where someone else
  // saved meanwhile, both tables are put together and the error says so: nothing of either is lost.
  async save() {
    if (!this.changed) return null;
    const sent = this.rows;
    try {
      const answer = await send("PUT", siteAddress(this.name, "/readings"), { revision: this.revision, rows: this.sent });
      this.#take(answer);
      const kept = sent.filter((row) => !isEmpty(row));
      this.saved = this.saved.map((row, k) => made(row, kept[k]?.id));
      this.rows = this.rows === sent ? this.saved : this.#rebased(sent);
      this.done = [];
      this.undone = [];
      this.#changed();
      return answer;
    } catch (fault) {
      if (fault instanceof ApiError && fault.status === 409 && fault.body.rows) throw this.#merged(fault);
      throw fault;
    }
  }

  // Edits made while the rows before them were on their way to the server.
  #rebased(sent) {
    const now = new Map(this.saved.map((row) => [row.id, row]));
    return this.rows.map((row) => (sent.includes(row) ? now.get(row.id) ?? row : { ...row, key: now.get(row.id)?.key ?? null }));
  }

  #merged(fault) {
    const base = new Set(this.saved.map(sameReading));
    const mine = new Set(this.rows.map(sameReading));
    const own = this.rows.filter((row) => !base.has(sameReading(row)) && !isEmpty(row));
    this.#take(fault.body);
    const theirs = this.saved.filter((row) => !base.has(sameReading(row)) || mine.has(sameReading(row)));
    const there = new Set(theirs.map(sameReading));
    const added = own.filter((row) => !there.has(sameReading(row)));
    this.rows = [...theirs, ...added.map((row) => made({ ...row, key: null }, row.id))];
    this.done = [];
    this.undone = [];
    this.#changed();
    const said = `${fault.message} Their rows and yours stand together below, yours at the end; look them over and save again.`;
    return new ApiError(said, 409, { ...fault.body, rows: undefined });
  }

  #take(document) {
    this.file = document.file;
    this.named = document.named ?? this.named;
    this.revision = document.revision;
    this.columns = document.columns;
    this.saved = document.rows.map((row) => made(row));
  }

  #do(rows) {
    this.done.push(this.rows);
    if (this.done.length > KEPT_STEPS) this.done.shift();
    this.undone = [];
    this.rows = rows;
    this.#changed();
  }

  #changed() {
    this.#keep();
    this.dispatchEvent(new Event("change"));
  }

  get #place() {
    return `skysill-rows:${this.name}`;
  }

  #keep() {
    try {
      if (!this.changed) localStorage.removeItem(this.#place);
      else {
        const plain = (rows) => rows.map(({ key, cells, text }) => ({ key, cells, text }));
        const kept = { revision: this.revision, rows: plain(this.rows), base: plain(this.saved) };
        localStorage.setItem(this.#place, JSON.stringify(kept));
      }
    } catch {
      // private windows keep nothing; the rows still live in this page
    }
  }

  #restore() {
    let kept = null;
    try {
      kept = JSON.parse(localStorage.getItem(this.#place));
    } catch {
      return;
    }
    if (!Array.isArray(kept?.rows)) return;
    const now = this.saved;
    if (kept.revision === this.revision) {
      const byKey = new Map(now.map((row) => [row.key, row]));
      this.rows = kept.rows.map((row) => {
        const stood = byKey.get(row.key);
        return stood && sameReading(stood) === sameReading(row) ? stood : made(row);
      });
      return;
    }
    this.saved = (kept.base ?? []).map((row) => made(row)); // the server's table has changed: put both together
    this.rows = kept.rows.map((row) => made(row));
    const document = { file: this.file, revision: this.revision, columns: this.columns, rows: now };
    this.restoredNote = this.#merged(new ApiError(`${this.file} was changed while your rows waited unsaved.`, 409, document)).message;
  }
}
