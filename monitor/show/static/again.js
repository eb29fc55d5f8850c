"use strict";
// The pages of a centre: each half minute the page fetches itself and swaps its content; focus and open parts stay.
(() => {
  const EVERY_MS = 30000;

  async function again() {
    try {
      const answer = await alive.fetch(location.href);
      if (!answer.ok) throw new Error(answer.statusText);
      const page = new DOMParser().parseFromString(await answer.text(), "text/html");
      const open = Array.from(document.querySelectorAll("details"), (d) => d.open);
      if (!document.getElementById("main").contains(document.activeElement)) {
        document.getElementById("main").replaceWith(document.importNode(page.getElementById("main"), true));
        document.querySelectorAll("details").forEach((d, i) => { d.open = Boolean(open[i]); });
      }
      alive.heard();
    } catch { /* what is not heard, the page's age tells */ }
  }

  alive.ask = again;
  setInterval(again, EVERY_MS);
})();
