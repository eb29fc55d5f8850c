"use strict";
// Live without reload: the server says that something has changed, the page fetches itself and swaps its content.
// A form that somebody is filling in is never swapped away.
(() => {
  const lost = document.getElementById("lost");
  let busy = false, again = false;

  const filling = () => document.activeElement && document.activeElement.closest("form") !== null;

  async function refresh() {
    if (busy) { again = true; return; }
    if (filling()) { setTimeout(refresh, 2000); return; }
    busy = true;
    try {
      const answer = await fetch(location.href, { headers: { "X-Fragment": "main" } });
      if (answer.ok) {
        const page = new DOMParser().parseFromString(await answer.text(), "text/html");
        const open = Array.from(document.querySelectorAll("details"), (d) => d.open);
        document.getElementById("main").replaceWith(document.importNode(page.getElementById("main"), true));
        document.querySelectorAll("details").forEach((d, i) => { d.open = Boolean(open[i]); });
        remember();
      }
    } catch { /* the event stream says below when the connection is lost */ }
    busy = false;
    if (again) { again = false; refresh(); }
  }

  function remember() {
    document.querySelectorAll("input[name=who]").forEach((input) => {
      input.value = localStorage.getItem("who") || "";
      input.addEventListener("change", () => localStorage.setItem("who", input.value));
    });
  }

  const events = new EventSource("/events");
  events.addEventListener("change", () => { lost.hidden = true; refresh(); });
  events.addEventListener("open", () => { lost.hidden = true; });
  events.addEventListener("error", () => {
    if (lost.hidden) {
      lost.querySelector("span").textContent = new Date().toLocaleTimeString();
      lost.hidden = false;
    }
  });
  remember();
})();
