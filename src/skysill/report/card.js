// Shows what the page already holds: one satellite, one place, one day. Nothing is worked out here.
"use strict";
(() => {
  const all = (what, where = document) => [...where.querySelectorAll(what)];
  const one = (what, where = document) => where.querySelector(what);
  const sections = all("section.satellite");
  const chooser = one("#chooser");
  const list = one("#place");
  const places = all("option", list).map((o) => ({ east: Number(o.dataset.east), north: Number(o.dataset.north) }));
  const said = one("#said");
  let section = null;
  let place = -1;

  function ring(svg, mark) {
    all(".ring", svg).forEach((old) => old.remove());
    for (const [radius, width, colour] of [[21, 6, "#ffffff"], [21, 3, "#000000"]]) {
      const made = document.createElementNS("http://www.w3.org/2000/svg", "circle");
      const given = { class: "ring", cx: mark.dataset.x, cy: mark.dataset.y, r: radius, fill: "none", stroke: colour, "stroke-width": width };
      Object.entries(given).forEach(([name, value]) => made.setAttribute(name, value));
      svg.append(made);
    }
  }

  function showPlace(number, speak) {
    place = number;
    list.value = String(number);
    all("details.answer", section).forEach((answer) => {
      const chosen = Number(answer.dataset.place) === number;
      answer.classList.toggle("chosen", chosen);
      answer.open = chosen;
      if (chosen && speak) said.textContent = one("summary", answer).textContent.trim();
    });
    const svg = one("svg.plan", section);
    ring(svg, one(`.mark[data-place="${number}"]`, svg));
  }

  function showSatellite(number) {
    section = sections[number];
    sections.forEach((other) => other.classList.toggle("chosen", other === section));
    all(".heads a").forEach((link) => {
      if (Number(link.dataset.satellite) === number) link.setAttribute("aria-current", "true");
      else link.removeAttribute("aria-current");
    });
    one(".chooser-place", section).append(chooser);
    const best = one(".mark[data-best]", section);
    showPlace(place < 0 ? Number(best ? best.dataset.place : 0) : place, false);
    said.textContent = "";
  }

  function showDay(where, iso) {
    all("[data-day]", where).forEach((row) => row.classList.toggle("chosen", row.dataset.day === iso));
  }

  function nearestOnPlan(svg, event) {
    const at = new DOMPoint(event.clientX, event.clientY).matrixTransform(svg.getScreenCTM().inverse());
    const far = (mark) => Math.hypot(Number(mark.dataset.x) - at.x, Number(mark.dataset.y) - at.y);
    return all(".mark", svg).reduce((a, b) => (far(b) < far(a) ? b : a));
  }

  function nextPlace(east, north) {
    const here = places[place];
    let found = -1;
    let least = Infinity;
    places.forEach((there, number) => {
      const along = (there.east - here.east) * east + (there.north - here.north) * north;
      const aside = Math.abs((there.east - here.east) * north - (there.north - here.north) * east);
      if (along > 0.01 && aside <= along + 0.01 && along + 2 * aside < least) {
        least = along + 2 * aside;
        found = number;
      }
    });
    return found;
  }

  document.documentElement.classList.add("script");
  all("details.every, details.days").forEach((box) => { box.open = true; });
  chooser.hidden = false;
  all(".heads a").forEach((link) => link.addEventListener("click", () => showSatellite(Number(link.dataset.satellite))));
  list.addEventListener("change", () => showPlace(Number(list.value), true));
  all("button[data-step]", chooser).forEach((button) => button.addEventListener("click", () => {
    const [east, north] = button.dataset.step.split(",").map(Number);
    const number = nextPlace(east, north);
    if (number < 0) said.textContent = "No place lies farther that way.";
    else showPlace(number, true);
  }));
  all("svg.plan").forEach((svg) => svg.addEventListener("click", (event) => showPlace(Number(nearestOnPlan(svg, event).dataset.place), true)));
  const now = new Date();
  const pad = (value) => String(value).padStart(2, "0");
  const today = `${now.getFullYear()}-${pad(now.getMonth() + 1)}-${pad(now.getDate())}`;
  sections.forEach((each) => {
    const days = one("select.day", each);
    if (!days) return;
    one(".day-choice", each).hidden = false;
    const listed = all("option", days).some((option) => option.value === today);
    if (listed) days.value = today;
    else {
      const note = one(".day-note", each);
      note.hidden = false;
      note.textContent = `Today, ${today} by this phone, is not among these days. Choose the day that it is.`;
    }
    showDay(each, days.value);
    days.addEventListener("change", () => showDay(each, days.value));
  });
  showSatellite(0);
})();
