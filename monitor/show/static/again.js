"use strict";
// The pages of a centre: each half minute the page fetches itself and swaps its content; focus and open parts stay.
(() => {
  const EVERY_MS = 30000;
  const lost = document.getElementById("lost");
  let seen = new Date();

  async function again() {
    try {
      const answer = await fetch(location.href);
      if (!answer.ok) throw new Error(answer.statusText);
      const page = new DOMParser().parseFromString(await answer.text(), "text/html");
      const open = Array.from(document.querySelectorAll("details"), (d) => d.open);
      if (!document.getElementById("main").contains(document.activeElement)) {
        document.getElementById("main").replaceWith(document.importNode(page.getElementById("main"), true));
        document.querySelectorAll("details").forEach((d, i) => { d.open = Boolean(open[i]); });
      }
      seen = new Date();
      lost.hidden = true;
    } catch {
      lost.querySelector("span").textContent = seen.toLocaleTimeString();
      lost.hidden = false;
    }
  }

  setInterval(again, EVERY_MS);
})();
