// The hands at a virtual bench: a point that is pressed gets the probe.
"use strict";
(() => {
  const $ = (id) => document.getElementById(id);
  const csrf = document.querySelector('meta[name="page"]').content;
  let moving = false;
  let next = null; // pressed while the probe was on its way: done after it, the last one
  let moves = 0; // what was asked for before a movement is old after it
  function told(state) {
    $("at").textContent = state.at === "" ? "in the air" : state.at === "the other tip" ? "the two tips together" : `on ${state.at}${state.reversed ? ", leads reversed" : ""}`;
    const turn = document.querySelector('[data-do="reverse"]');
    turn.disabled = state.at === "" || state.at === "the other tip";
    turn.setAttribute("aria-pressed", String(state.reversed));
    $("on").dataset.power = state.on.length ? "live" : "off";
    $("on-says").textContent = state.on.length ? `On: ${state.on.join(", ")}. On a real board this is where hands are careful` : "All outputs off";
    for (const each of document.querySelectorAll("[data-point]")) {
      const here = each.dataset.point === state.at;
      each.classList.toggle("here", here);
      if (each instanceof HTMLButtonElement) each.setAttribute("aria-pressed", String(here));
    }
  }
  function unknown() { // what stood there may be old: taken away
    $("hand-says").textContent = "No contact with the virtual bench.";
    $("on").dataset.power = "unknown";
    $("on-says").textContent = "What is on is not known here";
    $("at").textContent = "not known";
    for (const each of document.querySelectorAll(".here")) each.classList.remove("here");
    for (const each of document.querySelectorAll("[aria-pressed]")) each.setAttribute("aria-pressed", "false");
  }
  async function ask(path, body) {
    const before = moves;
    const reply = await fetch(path, body ? { method: "POST", body: JSON.stringify(body), headers: { "x-wakeboard-page": csrf, "content-type": "application/json" } } : {});
    if (!reply.ok) throw new Error(await reply.text());
    const state = await reply.json();
    if (body || before === moves) told(state);
  }
  async function move(body) {
    if (moving) { next = body; return; }
    moving = true;
    for (next = body; next;) {
      const now = next;
      next = null;
      moves += 1;
      $("hand-says").textContent = "";
      $("at").textContent = "on its way";
      try { await ask("/hand", now); } catch (error) { $("hand-says").textContent = `The probe was not moved: ${error.message}`; }
    }
    moving = false;
  }
  document.addEventListener("click", (event) => {
    const pressed = event.target.closest("[data-point], [data-do]");
    if (!pressed) return;
    move(pressed.dataset.point ? { do: "put", point: pressed.dataset.point } : { do: pressed.dataset.do });
  });
  document.addEventListener("keydown", (event) => {
    if (event.ctrlKey || event.altKey || event.metaKey || event.repeat) return;
    const key = event.key.toLowerCase();
    if (key === "l") move({ do: "lift" });
    if (key === "t") move({ do: "touch" });
    if (key === "r" && !document.querySelector('[data-do="reverse"]').disabled) move({ do: "reverse" });
    const spot = event.target.closest("svg [data-point]");
    if (spot && (event.key === "Enter" || event.key === " ")) { event.preventDefault(); move({ do: "put", point: spot.dataset.point }); }
  });
  setInterval(() => { if (!moving) ask("/state").catch(() => { if (!moving) unknown(); }); }, 700);
})();
