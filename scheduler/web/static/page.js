// Nothing here is needed to read or to stop: it only saves a tap and says when the line is down.
"use strict";
(function () {
  const AGAIN_MS = 3000, WITHIN_MS = 15000, TRIES = 20, LOOK_MS = 60000, LOOK_SOON_MS = 1500,
    LOOK_SLOWER = 1.1, LOOK_SELDOM_MS = 15000;
  const pause = (ms) => new Promise((done) => setTimeout(done, ms));

  function say(form, text) {
    let line = form.querySelector("[role=status]");
    if (!line) {
      line = document.createElement("p");
      line.setAttribute("role", "status");
      form.append(line);
    }
    line.textContent = text;
  }

  // A form is sent again under its own number until there is an answer: it is done once at most.
  async function send(form, button) {
    const body = new URLSearchParams(new FormData(form, button));
    const buttons = form.querySelectorAll("button");
    buttons.forEach((b) => { b.disabled = true; });
    say(form, "Sending …");
    for (let n = 1; n <= TRIES; n += 1) {
      try {
        const answer = await fetch(form.action, { method: "POST", body, signal: AbortSignal.timeout(WITHIN_MS) });
        if (answer.redirected) { location.assign(answer.url); return; }
        document.documentElement.innerHTML = await answer.text();
        return;
      } catch (_lost) {
        say(form, "No connection: it is not known whether this arrived. Try " + (n + 1) +
          "; it is done once, however often it is sent. Stopping and in a hurry: shut the hand tap at the barrels.");
        await pause(AGAIN_MS);
      }
    }
    say(form, "There is no connection to the garden. If water must stop, shut the hand tap at the barrels.");
    buttons.forEach((b) => { b.disabled = false; });
  }

  document.addEventListener("submit", (event) => {
    const form = event.target;
    if (!form.querySelector("[name=once]")) { return; }
    event.preventDefault();
    send(form, event.submitter);
  });

  const shown = document.querySelector("[data-fresh]");
  if (!shown) { return; }
  const stale = document.getElementById("stale");
  async function look() {
    try {
      const answer = await fetch(shown.dataset.fresh, { signal: AbortSignal.timeout(WITHIN_MS) });
      if (answer.redirected || !answer.ok) { return; }
      const now = (await answer.json()).mark;
      if (stale) { stale.hidden = true; }
      if (now !== shown.dataset.mark && !document.querySelector("[disabled]")) { location.reload(); }
    } catch (_lost) {
      if (stale) { stale.hidden = false; }
    }
  }
  // Often at first, then less: a run may last for hours, and a phone's battery should too.
  let wait = stale ? LOOK_MS : LOOK_SOON_MS;
  (function again() {
    setTimeout(async () => {
      if (!document.hidden) { await look(); }
      wait = Math.min(wait * LOOK_SLOWER, Math.max(LOOK_SELDOM_MS, stale ? LOOK_MS : 0));
      again();
    }, wait);
  }());
  document.addEventListener("visibilitychange", () => { if (!document.hidden) { look(); } });
}());
