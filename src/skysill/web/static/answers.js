// Verdicts, sky view and path profile of a check, on the desk: while the slider moves, and once it rests.

import { newestOnly } from "./api.js";
import { alertUser, clearErrors, parseNumber, showError } from "./fields.js";
import { drawSky } from "./sky.js";
import { showPicture, verdictBadge } from "./verdict.js";

const RESTS_AFTER_MS = 250;
const REMEDIES_AFTER_MS = 400; // longer than most pauses while dragging: the search for remedies takes seconds
const number = (value, digits, unit) => (value === null || value === undefined ? "-" : `${value.toFixed(digits)}${unit}`);

function element(name, className, ...children) {
  const made = document.createElement(name);
  if (className) made.className = className;
  made.append(...children);
  return made;
}

function lookWords(look, terminal) {
  if (look.azimuth_deg === null) return `straight up or down, elevation ${number(look.elevation_deg, 2, "°")}`;
  const magnetic = look.bearing_magnetic_deg === null || look.bearing_magnetic_deg === undefined ? "" : ` (${number(look.bearing_magnetic_deg, 1, "°")} magnetic)`;
  const tilt = terminal?.polarization === "linear" ? `, polarization tilt ${number(look.polarization_tilt_deg, 1, "°")}` : "";
  return `azimuth ${number(look.azimuth_deg, 2, "°")}${magnetic}, elevation ${number(look.elevation_apparent_deg, 2, "°")}${tilt}`;
}

function list(lines) {
  return element("ul", "", ...lines.map((line) => element("li", "", line)));
}

// ask(question): a promise of a check; question has height_m, and moving, remedies, profile, pictures, picture_of.
export class Answers {
  constructor(root, ask) {
    this.root = root;
    this.ask = ask;
    this.horizon = null;
    this.results = new Map();
    this.heightOf = () => 2;
    this.#send = newestOnly((question, signal) => ask(question, signal), (answer, question) => this.#show(answer, question), (fault) => this.#failed(fault));
    this.pictureOf = document.getElementById("picture-of");
    this.pictureOf.addEventListener("change", () => this.rest());
    this.#slider();
  }

  #send;
  #resting;
  #wanted = 0;

  // A light question while something moves; the full one follows when it rests.
  move() {
    clearErrors(this.root);
    for (const card of document.querySelectorAll(".answer")) card.setAttribute("aria-busy", "true");
    this.#wanted += 1;
    const satellites = this.pictureOf.value ? [this.pictureOf.value] : undefined;
    this.#send({ height_m: this.heightOf(), moving: true, only: satellites, turn: this.#wanted });
    clearTimeout(this.#resting);
    this.#resting = setTimeout(() => this.rest(), RESTS_AFTER_MS);
  }

  rest() {
    clearTimeout(this.#resting);
    clearErrors(this.root);
    this.#wanted += 1;
    if (this.results.size === 0) {
      // nothing to look at yet: the plain verdict comes first, pictures and the rest after it
      if (this.root.hidden || !document.getElementById("verdicts").childElementCount) {
        document.getElementById("verdicts").replaceChildren(element("p", "hint", "Working out the verdict..."));
      }
      this.#send({ height_m: this.heightOf(), moving: true, turn: this.#wanted });
    }
    const pictures = ["profile"];
    this.#send({ height_m: this.heightOf(), profile: true, pictures, picture_of: this.pictureOf.value || undefined, turn: this.#wanted, then: true });
  }

  // Results that belong to other satellites or another place are forgotten.
  forget() {
    this.horizon = null;
    this.results.clear();
  }

  #show(answer, question) {
    alertUser("");
    this.root.hidden = false;
    if (answer.horizon) this.horizon = answer.horizon;
    if (!question.moving) this.results.clear();
    answer.results.forEach((one, index) => this.results.set(one.satellite.name, { one, sentence: answer.sentences[index], moving: question.moving }));
    this.#cards(question, answer);
    drawSky(document.getElementById("sky"), [...this.results.values()].map((kept) => kept.one), this.horizon);
    this.#choices();
    this.#brief();
    this.#picture(answer);
    const shown = this.results.get(this.pictureOf.value) ?? [...this.results.values()][0];
    if (!question.moving && shown) document.getElementById("spoken").textContent = `At ${question.height_m} m. ${[...this.results.values()].map((kept) => kept.sentence).join(" ")}`;
    this.#lists(answer);
    if (question.then && question.turn === this.#wanted) {
      this.#resting = setTimeout(() => this.#send({ ...question, profile: false, pictures: [], remedies: true, then: false }), REMEDIES_AFTER_MS);
    }
  }

  #cards(question, answer) {
    const place = document.getElementById("verdicts");
    const cards = [...this.results.values()].map(({ one, sentence }) => {
      const card = element("article", "answer");
      card.dataset.satellite = one.satellite.name;
      card.dataset.verdict = one.verdict;
      const fresh = answer.results.some((result) => result.satellite.name === one.satellite.name);
      if (!fresh) card.setAttribute("aria-busy", "true");
      const words = sentence.slice(one.satellite.name.length + 2).replace(/^[A-Z][a-z ]+\. /, "");
      card.append(
        element("div", "head", element("h3", "", one.satellite.name), verdictBadge(one.verdict)),
        element("p", "sentence", words),
        element("p", "numbers look", lookWords(one.look, answer.terminal)),
      );
      if (!question.moving) {
        const room = one.clearance;
        if (room.clearance_m !== null) card.append(element("p", "numbers", `${number(room.clearance_m, 2, " m")} of room where ${number(room.required_m, 2, " m")} is required; margin ${number(room.margin_deg, 2, "°")}${one.p_clear === null ? "" : `; probability ${one.p_clear > 0.99 ? "over 99" : Math.round(one.p_clear * 100)}%`}`));
        if (one.reasons.length > 1) card.append(list(one.reasons.slice(1)));
        if (one.remedies?.length || one.searched) card.append(element("h4", "", "What would help"), list([...(one.remedies ?? []).map((remedy) => remedy.text), ...(one.searched ? [one.searched] : [])]));
        else if (!question.remedies && one.verdict !== "clear") card.append(element("p", "hint", "Looking for what would help..."));
      }
      return card;
    });
    place.replaceChildren(...cards);
  }

  // The verdicts in short beside the slider, where a phone shows both.
  #brief() {
    const shown = [...this.results.values()].map(({ one }) => element("span", "", verdictBadge(one.verdict), ` ${one.satellite.name}`));
    document.getElementById("brief").replaceChildren(...shown);
  }

  #choices() {
    const names = [...this.results.keys()];
    if ([...this.pictureOf.options].map((one) => one.value).join("\n") === names.join("\n")) return;
    const chosen = this.pictureOf.value;
    this.pictureOf.replaceChildren(...names.map((name) => new Option(name, name, false, name === chosen)));
  }

  #picture(answer) {
    const svg = answer.pictures?.profile;
    if (!svg) return;
    const image = document.getElementById("profile");
    const name = this.pictureOf.value;
    showPicture(image, svg, `Path profile. ${this.results.get(name)?.sentence ?? ""}`);
    image.hidden = false;
  }

  #lists(answer) {
    const { cautions, warnings } = answer;
    if (cautions) document.getElementById("cautions").replaceChildren(...cautions.map((one) => element("li", "", one.text)));
    if (cautions) document.getElementById("warnings").replaceChildren(...warnings.map((line) => element("li", "", line)));
    if (cautions) document.getElementById("more").hidden = false;
  }

  #failed(fault) {
    if (this.results.size === 0) document.getElementById("verdicts").replaceChildren();
    showError(this.root.ownerDocument, fault, { focus: false });
  }

  #slider() {
    const slider = document.getElementById("height-slider");
    const typed = document.getElementById("height");
    this.heightOf = () => {
      const value = parseNumber(typed.value);
      return typeof value === "number" ? value : Number(slider.value);
    };
    slider.addEventListener("input", () => {
      typed.value = slider.value;
      this.onHeight?.(Number(slider.value));
      this.move();
    });
    typed.addEventListener("change", () => {
      const value = parseNumber(typed.value);
      if (typeof value === "number") slider.value = String(value);
      this.onHeight?.(value);
      this.rest();
    });
  }

  setHeight(height_m, most_m) {
    const slider = document.getElementById("height-slider");
    slider.max = String(most_m);
    slider.value = String(height_m);
    document.getElementById("height").value = String(height_m);
  }
}
