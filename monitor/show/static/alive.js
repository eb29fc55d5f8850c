"use strict";
// A page that has heard nothing for a while says so and greys what it shows; it comes back by itself.
// Whoever draws the page calls alive.heard() for each sign of life, and gives alive.ask: how to look for one.
const alive = (() => {
  const OLD_MS = 40000, ASK_MS = 15000, LOOK_MS = 1000, ANSWER_MS = 8000;
  const lost = document.getElementById("lost");
  let heardAt = Date.now(), askedAt = Date.now(), said = "";

  function age(ms) {
    const seconds = Math.floor(ms / 10000) * 10, minutes = Math.floor(ms / 60000), hours = Math.floor(minutes / 60);
    const [value, unit] = hours ? [hours, "hour"] : minutes ? [minutes, "minute"] : [seconds, "second"];
    return new Intl.NumberFormat(document.documentElement.lang, { style: "unit", unit, unitDisplay: "long" }).format(value);
  }

  // Told anew only when its words change: a screen reader reads it each time.
  function show() {
    const ms = Date.now() - heardAt, old = ms >= OLD_MS;
    const words = old ? lost.dataset.words.replace("{age}", age(ms)) : "";
    if (words !== said) {
      said = words;
      if (old) lost.textContent = words;
      lost.hidden = !old;
      document.body.classList.toggle("old", old);
    }
  }

  const self = {
    heard() { heardAt = askedAt = Date.now(); show(); },
    ask: async () => {},
    /** Fetch from farpole, with an end: one that has been stopped answers nothing, and refuses nothing either. */
    fetch: (path, more = {}) => fetch(path, { ...more, signal: AbortSignal.timeout(ANSWER_MS) }),
  };
  setInterval(() => {
    show();
    if (Date.now() - askedAt >= ASK_MS) { askedAt = Date.now(); self.ask(); }
  }, LOOK_MS);
  return self;
})();
