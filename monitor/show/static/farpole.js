"use strict";
// Live without reload: the server says that something has changed, the page fetches itself and swaps its content.
// A form that somebody is filling in is never swapped away; a chart that was drawn within the minute stays.
(() => {
  const CHART_LASTS_MS = 60000;
  const drawn = new Map();
  let busy = false, again = false;

  const filling = () => document.activeElement && document.activeElement.closest("form") !== null;

  async function refresh() {
    if (busy) { again = true; return; }
    if (filling()) { setTimeout(refresh, 2000); return; }  // how old it is, alive.ask finds out meanwhile
    busy = true;
    try {
      const answer = await alive.fetch(location.href, { headers: { "X-Fragment": "main" } });
      if (answer.ok) {
        const page = new DOMParser().parseFromString(await answer.text(), "text/html");
        const open = Array.from(document.querySelectorAll("details"), (d) => d.open);
        document.getElementById("main").replaceWith(document.importNode(page.getElementById("main"), true));
        document.querySelectorAll("details").forEach((d, i) => { d.open = Boolean(open[i]); });
        settle();
        alive.heard();
      }
    } catch { /* what is not heard, the page's age tells */ }
    busy = false;
    if (again) { again = false; refresh(); }
  }

  function remember() {
    document.querySelectorAll("input[name=who]").forEach((input) => {
      input.value = localStorage.getItem("who") || "";
      input.addEventListener("change", () => {
        localStorage.setItem("who", input.value);
        document.querySelectorAll("input[name=who]").forEach((other) => { other.value = input.value; });
      });
    });
  }

  // Charts: the drawing that came with the page stays until a sharper one is there, and for good where none can be had.
  async function chart(figure) {
    const source = figure.dataset.source, place = figure.querySelector(".drawn"), known = drawn.get(source);
    if (known && Date.now() - known.at < CHART_LASTS_MS) { place.replaceWith(known.node); return; }
    try {
      const answer = await fetch(source);
      if (!answer.ok) return;
      const node = document.createElement("div");
      node.className = "drawn";
      node.style.width = Math.min(place.clientWidth, 704) + "px";
      place.parentNode.insertBefore(node, place);
      const spec = await answer.json();
      if (!spec.data.values.length) { node.remove(); return; }
      await window.vegaEmbed(node, spec, { actions: false, ast: true, defaultStyle: false, renderer: "svg", tooltip: false });
      const svg = node.querySelector("svg");
      svg.setAttribute("role", "img");
      svg.setAttribute("aria-label", spec.description);
      place.remove();
      drawn.set(source, { node, at: Date.now() });
    } catch { /* the drawing that came with the page stands there still */ }
  }

  // At the pole: each second, as long as the ten minutes last.
  async function live(box) {
    try {
      const answer = await fetch(box.dataset.source);
      if (answer.ok && box.isConnected) {
        const told = await answer.json();
        box.querySelector(".left").textContent = told.said;
        let missing = false;
        told.figures.forEach((one) => {
          const row = box.querySelector(`tr[data-key="${CSS.escape(one.key)}"]`);
          if (!row) { missing = true; return; }
          ["now", "before", "after", "change"].forEach((name) => { row.querySelector("." + name).textContent = one[name]; });
        });
        if (missing) refresh();
      }
    } catch { /* what is not heard, the page's age tells */ }
    if (box.isConnected) setTimeout(() => live(box), 1000);
  }

  function settle() {
    remember();
    if (window.vegaEmbed) document.querySelectorAll("figure[data-source]").forEach(chart);
    const box = document.getElementById("live");
    if (box) live(box);
  }

  const events = new EventSource("/events");
  // A stream that is open is no sign: only what comes by it. Missed changes are fetched once it is there again.
  let cut = false;
  events.addEventListener("error", () => { cut = true; });
  events.addEventListener("hello", () => { alive.heard(); if (cut) { cut = false; refresh(); } });
  events.addEventListener("still-here", alive.heard);
  events.addEventListener("change", () => { alive.heard(); refresh(); });
  alive.ask = async () => {
    try {
      const answer = await alive.fetch("/alive");
      if (answer.ok) { const old = document.body.classList.contains("old"); alive.heard(); if (old || cut) refresh(); }
    } catch { /* the same */ }
  };
  settle();
})();
