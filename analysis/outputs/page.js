"use strict";
// Reading values off the curves: a pointer over a chart or the slider under it sets the moment for
// all charts. What is read is looked up in the data the curves were drawn from.
(() => {
  const data = JSON.parse(document.getElementById("data").textContent);
  const figures = [...document.querySelectorAll("figure[data-key]")];
  if (!figures.length) return;
  const clock = (s) =>
    `${Math.floor(s / 3600)}:${String(Math.floor(s / 60) % 60).padStart(2, "0")}`;
  const shown = (value, digits) =>
    value === null || value === undefined
      ? "–"
      : value.toFixed(digits).replace(/\B(?=(\d{3})+(?!\d))/g, "\u202f");

  const doing = (phone, s) =>
    (phone.segments.find(([, from, to]) => s >= from && s < to) || ["between segments"])[0];

  function reading(key, s) {
    const { unit, digits, low, high } = data.quantities[key];
    const said = data.phones.map((phone) => {
      const k = Math.floor((s - phone.from_s) / phone.step_s);
      const at = (column) => (column && phone[column] ? phone[column][k] : undefined);
      const value = at(key);
      if (value === null || value === undefined) return `${phone.name} –`;
      const ends = [at(low), at(high)];
      const range = ends.every((end) => end !== null && end !== undefined)
        ? ` (${ends.map((end) => shown(end, digits)).join(" … ")})`
        : "";
      return `${phone.name} ${shown(value, digits)} ${unit}${range}`;
    });
    const names = new Set(
      data.phones
        .filter((p) => s >= p.from_s && s < p.from_s + p.step_s * p.n)
        .map((p) => doing(p, s)),
    );
    return [`${clock(s)} h · ${[...names].join(", ")}`, ...said];
  }

  function show(s) {
    for (const figure of figures) {
      const parts = reading(figure.dataset.key, s);
      figure.querySelector("input").value = s;
      figure.querySelector("input").setAttribute("aria-valuetext", parts.join("; "));
      figure.querySelector("output").replaceChildren(
        ...parts.map((part) => Object.assign(document.createElement("b"), { textContent: part })),
      );
      for (const svg of figure.querySelectorAll("svg")) {
        const [left, , right] = svg.parentNode.dataset.plot.split(" ").map(Number);
        const [from, to] = svg.parentNode.dataset.hours.split(" ").map(Number);
        const x = left + ((s / 3600 - from) / (to - from)) * (right - left);
        const line = svg.querySelector(".cursor");
        line.setAttribute("x1", x);
        line.setAttribute("x2", x);
        line.style.visibility = "visible";
      }
    }
  }

  for (const figure of figures) {
    const input = figure.querySelector("input");
    input.addEventListener("input", () => show(Number(input.value)));
    for (const svg of figure.querySelectorAll("svg")) {
      const [left, top, right, bottom] = svg.parentNode.dataset.plot.split(" ").map(Number);
      const [from, to] = svg.parentNode.dataset.hours.split(" ").map(Number);
      const line = document.createElementNS("http://www.w3.org/2000/svg", "line");
      line.setAttribute("class", "cursor");
      line.setAttribute("y1", top);
      line.setAttribute("y2", bottom);
      svg.append(line);
      svg.addEventListener("pointermove", (event) => {
        const box = svg.getBoundingClientRect();
        const x = ((event.clientX - box.left) / box.width) * svg.viewBox.baseVal.width;
        const share = Math.min(Math.max((x - left) / (right - left), 0), 1);
        show((from + share * (to - from)) * 3600);
      });
    }
  }
  document.documentElement.classList.add("live");
  show(Number(figures[0].querySelector("input").min));
})();
