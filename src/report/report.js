"use strict";
// Hovering a ring in the picture or a chart names it and shows it in all of them. The page is whole
// without this: every ring says the same in its tooltip and in the table.
(() => {
  const hits = [...document.querySelectorAll(".hit")];
  const told = document.querySelector(".told");
  if (!told || !hits.length) return;
  const of = new Map();
  for (const hit of hits) {
    const ring = Number(hit.dataset.ring);
    if (!of.has(ring)) of.set(ring, []);
    of.get(ring).push(hit);
  }
  const rings = [...of.keys()].sort((a, b) => a - b);
  let shown = null;
  const show = (ring) => {
    if (ring === shown) return;
    for (const hit of of.get(shown) || []) hit.classList.remove("on");
    shown = ring;
    const same = of.get(ring) || [];
    for (const hit of same) hit.classList.add("on");
    const title = same.length ? same[0].querySelector("title") : null;
    told.textContent = title ? title.textContent : told.dataset.hint;
  };
  for (const hit of hits) {
    hit.addEventListener("pointerenter", () => show(Number(hit.dataset.ring)));
  }
  for (const chart of document.querySelectorAll("svg.chart")) {
    if (!chart.querySelector(".hit")) continue;
    chart.setAttribute("tabindex", "0");
    chart.addEventListener("pointerleave", () => show(null));
    chart.addEventListener("keydown", (event) => {
      const step = { ArrowLeft: -1, ArrowRight: 1 }[event.key];
      if (!step) return;
      event.preventDefault();
      const at = rings.indexOf(shown);
      const next = at < 0 ? (step > 0 ? 0 : rings.length - 1) : at + step;
      show(rings[Math.min(Math.max(next, 0), rings.length - 1)]);
    });
  }
  const picture = document.querySelector(".picture");
  if (picture) picture.addEventListener("pointerleave", () => show(null));
  told.textContent = told.dataset.hint;
  told.hidden = false;
})();
