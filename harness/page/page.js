// The live page: shows the newest picture, sends keys. Values that are old are taken away, never left standing.
"use strict";
(() => {
  const $ = (id) => document.getElementById(id);
  const csrf = document.querySelector('meta[name="page"]').content;
  const STALE = 3000; // ms without a word, or without a look at the supplies
  const SPAN = 60; // s of the curves
  let picture = null, heard = Date.now(), arrived = 0, beat = { silent: 0, gone: "" }, failed = "";
  const TOO_SOON = 350; // ms: what is pressed so soon after a question has come was meant for the one before
  const ANSWERED = 2000; // ms in which a Stop that got through is confirmed, or nearly
  let traces = {}, prompted = 0, shownMap = "", taken = 0, bell = null, stopSent = 0, askedAt = 0;

  const put = (node, text) => { if (node.textContent !== text) node.textContent = text; };
  const show = (node, on) => { if (node.hidden === on) node.hidden = !on; };
  const unit = (value, sign) => {
    if (value === null || value === undefined) return "–";
    if (sign === "A" && Math.abs(value) < 0.9995) return (value * 1000).toFixed(Math.abs(value) < 0.00995 ? 2 : 1) + " mA";
    return value.toFixed(3) + " " + sign;
  };

  const isLive = () => picture.power.startsWith("LIVE");

  async function send(path, body) {
    try {
      const reply = await fetch(path, {
        method: "POST", headers: { "content-type": "application/json", "x-wakeboard-page": csrf }, body: JSON.stringify(body || {}),
      });
      if (!reply.ok) failed = "The page's program refused it: load this page again";
    } catch { failed = "It did not get through"; }
    draw();
  }
  const tooSoon = () => picture.prompt && !picture.prompt.text && Date.now() - askedAt < TOO_SOON;
  const answer = (key) => { if (picture && picture.prompt && !tooSoon()) send("/key", { prompt: picture.prompt.number, key }); };
  const stop = () => {
    put($("stop-says"), "Stop is sent …");
    stopSent = Date.now();
    send("/stop").then(() => { if (failed) put($("stop-says"), failed + ". Use the supply's own switch, or Ctrl-C at the terminal."); });
  };

  // --- what is drawn
  const SVG = "http://www.w3.org/2000/svg";
  const drawn = (name, of, attributes) => {
    const node = document.createElementNS(SVG, name);
    for (const [key, value] of Object.entries(attributes)) node.setAttribute(key, value);
    of.append(node);
    return node;
  };
  function curve(svg, rows, now, most, lines, pick) {
    svg.replaceChildren();
    const y = (value) => 58 - 56 * Math.max(0, Math.min(1, value / most));
    for (const [value, kind] of lines) drawn("line", svg, { x1: 0, x2: 300, y1: y(value), y2: y(value), class: kind });
    const points = rows.filter((row) => pick(row) !== null && now - row[0] <= SPAN)
      .map((row) => `${(300 - (now - row[0]) * 300 / SPAN).toFixed(1)},${y(pick(row)).toFixed(1)}`);
    drawn("polyline", svg, { points: points.join(" "), class: "curve" });
  }
  function supplyCard(name) {
    const card = document.createElement("article");
    card.className = "supply";
    card.innerHTML = '<h2></h2><p class="large"><span class="volts"></span> <span class="amps"></span></p>' +
      '<p class="mode"></p>' +
      '<figure><svg class="v" viewBox="0 0 300 60" preserveAspectRatio="none" role="img"></svg><figcaption></figcaption></figure>' +
      '<figure><svg class="a" viewBox="0 0 300 60" preserveAspectRatio="none" role="img"></svg><figcaption></figcaption></figure>';
    card.dataset.name = name;
    card.querySelector("h2").textContent = name;
    $("supplies").append(card);
    return card;
  }
  const MODES = { cv: "holds its voltage", cc: "LIMITS ITS CURRENT", off: "says that it is off", unregulated: "unregulated" };
  function drawSupplies(fresh) {
    const rows = picture.supplies;
    for (const card of [...$("supplies").children]) if (!rows.some((row) => row.name === card.dataset.name)) card.remove();
    for (const row of rows) {
      const card = [...$("supplies").children].find((each) => each.dataset.name === row.name) || supplyCard(row.name);
      const part = (selector) => card.querySelector(selector);
      put(part(".volts"), fresh ? unit(row.volts, "V") : "– V");
      put(part(".amps"), fresh ? unit(row.amps, "A") : "– A");
      put(part(".mode"), fresh ? MODES[row.mode] || "" : "not seen just now");
      card.classList.toggle("limits", fresh && row.mode === "cc");
      const [volts, amps] = card.querySelectorAll("figcaption");
      put(volts, `set ${unit(row.set, "V")}, the guard allows ± ${unit(row.margin, "V")}`);
      put(amps, `trip line ${unit(row.trip, "A")}, limit ${unit(row.limit, "A")}`);
      part("svg.v").setAttribute("aria-label", `Volts of the last minute; ${volts.textContent}`);
      part("svg.a").setAttribute("aria-label", `Current of the last minute; ${amps.textContent}`);
      const now = fresh ? picture.now : Infinity, trace = traces[row.name] || [];
      curve(part("svg.v"), trace, now, row.set * 1.15 + row.margin, [[row.set, "set"], [row.set + row.margin, "trip"], [row.set - row.margin, "trip"]], (r) => r[1]);
      curve(part("svg.a"), trace, now, row.limit * 1.15, [[row.limit, "limit"], [row.trip, "trip"]], (r) => r[2]);
    }
  }
  function drawPrompt() {
    const prompt = picture.prompt;
    show($("prompt"), !!prompt);
    if (!prompt) { prompted = 0; return; }
    put($("prompt-title"), prompt.title); // its words may follow what is seen while it is open
    put($("prompt-detail"), prompt.detail);
    if (prompt.number === prompted) return;
    prompted = prompt.number;
    askedAt = Date.now();
    $("keys").replaceChildren(...prompt.keys.filter((each) => each.key !== "q").map((each) => {
      const button = document.createElement("button");
      button.type = "button";
      button.className = each.key === "\r" || each.key === "y" ? "key go" : "key";
      const name = document.createElement("kbd");
      name.textContent = each.name;
      button.append(each.says[0].toUpperCase() + each.says.slice(1) + " ", name);
      button.addEventListener("click", () => { button.disabled = true; answer(each.key); });
      button.disabled = true;
      setTimeout(() => { button.disabled = false; }, TOO_SOON);
      return button;
    }));
    show($("text-form"), prompt.text);
    if (prompt.text) { $("text").value = ""; $("text").focus(); }
    ring();
  }
  function ring() {
    if (!bell) return;
    try {
      const tone = bell.createOscillator(), loud = bell.createGain();
      loud.gain.value = 0.1; tone.frequency.value = 880; tone.connect(loud).connect(bell.destination);
      tone.start(); tone.stop(bell.currentTime + 0.15);
    } catch { bell = null; }
  }
  function drawReading(fresh) {
    const reading = picture.reading, last = picture.taken;
    if (last && last.number > taken) { taken = last.number; ring(); }
    const sheet = document.querySelector(".last");
    sheet.dataset.outcome = "";
    sheet.classList.remove("before", "earlier");
    $("reading").classList.remove("long");
    if (!fresh) { put($("reading"), "–"); put($("reading-of"), "Not shown: no contact"); put($("reading-says"), ""); return; }
    if (!reading) return;
    if (reading.spell !== picture.spell || (reading.live && !isLive())) { // power came or went since: none of the board as it is
      const when = reading.live ? (isLive() ? "Before this power-on" : "With power on") : "Before power";
      put($("reading"), "–");
      put($("reading-of"), `${when}: ${reading.of}  ${reading.quantity}  ${reading.value}`);
      put($("reading-says"), "");
      sheet.classList.add("before");
      return;
    }
    const earlier = !!picture.prompt && picture.prompt.number > reading.asked && !!(picture.spot && picture.spot.point);
    const name = reading.at && reading.at !== reading.of ? `${reading.of} at ${reading.at}` : reading.of;
    put($("reading"), reading.value);
    $("reading").classList.toggle("long", reading.value.length > 9);
    sheet.classList.toggle("earlier", earlier); // another point is asked for: the name stands as large as the number
    put($("reading-of"), earlier ? name : `${name}  ${reading.quantity}`);
    put($("reading-says"), `${SHAPES[reading.outcome] || ""} ${earlier ? "the point before, " : ""}${reading.word}: ${reading.text}`.trim());
    sheet.dataset.outcome = reading.outcome;
  }
  const SHAPES = { pass: "✔", fail: "✖", marginal: "≈", tripped: "⚡", error: "?", skipped: "–", stopped: "■" };
  function drawSteps() {
    const step = picture.step;
    put($("step"), step ? `Step ${step.number} of ${step.total}: ${step.title}${step.kind === "power off" && !picture.ended ? ": is the board discharged?" : ""}` : "No step yet");
    put($("next"), step && !picture.ended && !beat.gone ? `Next: ${step.next}` : "");
    const list = $("steps");
    while (list.children.length > picture.steps.length) list.lastChild.remove();
    picture.steps.forEach((done, place) => {
      const item = list.children[place] || list.appendChild(document.createElement("li"));
      const odd = (done.odd || []).join(", ");
      put(item, `${SHAPES[done.outcome] || ""} ${done.number} ${done.name}: ${done.outcome === "skipped" && done.says ? done.says : odd || done.outcome}`);
      item.dataset.outcome = done.outcome;
    });
  }
  let begun = false;
  function drawCautions() {
    const cautions = picture.cautions || [], before = $("before");
    show(before, cautions.length > 0);
    show(document.querySelector(".last"), begun || !!picture.step || !cautions.length);
    if (picture.step && !begun) {
      begun = true; // read once: from here on they stand folded, below everything
      before.querySelector("details").open = false;
      before.parentElement.append(before);
    }
    if ($("cautions").children.length !== cautions.length)
      $("cautions").replaceChildren(...cautions.map((text) => Object.assign(document.createElement("li"), { textContent: text })));
  }
  function drawAnswer() {
    const told = picture.answer, ended = picture.ended, one = told || (ended && { word: ended.outcome.toUpperCase(), outcome: ended.outcome, where: "", seen: ended.seen, do: ended.off_says });
    show($("answer"), !!one);
    document.body.dataset.answer = one ? one.outcome : "";
    if (!one) return;
    put($("answer-word"), `${SHAPES[one.outcome] || "■"} ${one.word}`);
    $("answer-word").classList.toggle("long", one.word.length > 5);
    put($("answer-where"), one.where || "");
    const seen = one.seen || [];
    if ($("answer-seen").textContent !== seen.join(""))
      $("answer-seen").replaceChildren(...seen.map((text) => Object.assign(document.createElement("li"), { textContent: text })));
    put($("answer-do"), one.do || "");
  }
  function drawCount() {
    const count = picture.count;
    show($("count"), !!count);
    if (!count) return;
    put($("count-says"), count.says);
    put($("count-failed"), count.failed.length ? `Failed most: ${count.failed.map(([name, times]) => `${name} (${times})`).join(", ")}` : "");
  }
  function drawMap() {
    const spot = picture.spot, wanted = picture.map && spot && (spot.net || spot.point) ? `/map?net=${encodeURIComponent(spot.net)}&point=${encodeURIComponent(spot.point)}` : "";
    show($("map"), !!wanted);
    if (wanted === shownMap) return;
    shownMap = wanted;
    if (wanted) { $("map-picture").src = wanted; $("map-picture").alt = `Both sides of the board; marked: ${spot.point || spot.net}`; }
  }
  function drawStop() {
    const stop = picture.stop;
    if (stop || picture.ended) stopSent = 0;
    if (stopSent && Date.now() - stopSent > ANSWERED)
      put($("stop-says"), `Stop was sent ${Math.floor((Date.now() - stopSent) / 1000)} s ago, and nothing confirms it: use the supply's own switch, or Ctrl-C at the terminal.`);
    else if (stop) put($("stop-says"), stop.off === true ? `✔ Confirmed off${stop.says ? ": " + stop.says : ""}` : stop.off === false ? `✖ NOT CONFIRMED OFF: ${stop.says}` : stop.says);
    else if (picture.ended === null && !stopSent) put($("stop-says"), "");
    show($("stop"), beat.gone === "" && picture.ended === null);
    show(document.querySelector(".bottom"), !$("stop").hidden || $("stop-says").textContent !== "");
    $("stop-says").dataset.off = stop ? String(stop.off) : stopSent && Date.now() - stopSent > ANSWERED ? "false" : "";
  }
  function contact() {
    const away = Date.now() - heard;
    if (beat.gone === "bye") return "The run's program has ended; this is what it showed last.";
    if (beat.gone) return "The run's program has ended without a word. The guard switches off by itself: look at the supply's panel before you touch anything; capacitors may be charged.";
    if (away > STALE) return `No contact since ${Math.floor(away / 1000)} s. What the board has is not known here: look at the supply's panel.`;
    if (beat.silent > STALE / 1000) return `No word from the run since ${Math.floor(beat.silent)} s. What the board has is not known here: look at the supply's panel.`;
    return "";
  }
  function draw() {
    const lost = contact(), bye = beat.gone === "bye";
    show($("contact"), !!lost);
    put($("contact"), lost);
    document.body.classList.toggle("lost", !!lost && !bye);
    if (!picture) return;
    const known = !lost || bye;
    const old = picture.age === null || picture.age * 1000 + Date.now() - arrived > STALE;
    put($("unit"), picture.unit || "–");
    put($("what"), [picture.board, picture.title, picture.virtual ? "virtual bench" : ""].filter(Boolean).join("  ·  "));
    put($("power-text"), known ? picture.power || (picture.virtual ? "Not looked at yet" : "Not looked at yet: look at the supply's panel") : "Not known");
    put($("tests"), known && picture.tests ? picture.tests : "");
    const warnings = (picture.warnings || []).join(" ");
    show($("warnings"), warnings !== "");
    put($("warnings"), warnings);
    const power = !known || !picture.power || picture.power.startsWith("NOT") ? "unknown" : isLive() ? "live" : "off";
    $("power").dataset.power = power;
    put($("power-shape"), { live: "▲", unknown: "?", off: "○" }[power]);
    drawSupplies(known && !old);
    drawReading(known);
    if (known) { drawPrompt(); drawAnswer(); } else { show($("prompt"), false); prompted = 0; }
    show($("moving"), known && !!picture.moving && !picture.ended);
    put($("moving"), (picture.moving || "").trim().replace(/\s{2,}/g, "  ·  "));
    show($("waiting"), !picture.ended && (!known || !picture.prompt || !!beat.gone));
    put($("waiting"), beat.gone ? "Nothing is asked any more." : known ? (picture.step ? "Measuring: nothing is asked just now." : "Nothing is asked just now.") : "What is asked is not shown: no contact.");
    drawSteps(); drawCautions(); drawCount(); drawMap(); drawStop();
  }

  // --- what comes in
  const source = new EventSource("/events");
  const word = () => { heard = Date.now(); failed = ""; };
  source.addEventListener("trace", (event) => { word(); traces = JSON.parse(event.data); });
  source.addEventListener("picture", (event) => {
    word();
    picture = JSON.parse(event.data);
    arrived = Date.now();
    for (const row of picture.supplies) {
      const trace = traces[row.name] = traces[row.name] || [];
      trace.push([picture.now, row.volts, row.amps]);
      if (trace.length > 900) trace.splice(0, 300);
    }
    draw();
  });
  source.addEventListener("beat", (event) => { word(); beat = JSON.parse(event.data); if (beat.gone) source.close(); draw(); });
  setInterval(draw, 500);

  // --- what goes out
  $("stop").addEventListener("click", stop);
  $("text-form").addEventListener("submit", (event) => {
    event.preventDefault();
    answer($("text").value + "\r");
    $("text").value = "";
  });
  document.addEventListener("keydown", (event) => {
    if (event.key === "Escape") { event.preventDefault(); stop(); return; }
    if (event.ctrlKey || event.altKey || event.metaKey || event.repeat) return;
    if (event.target instanceof HTMLInputElement || !picture || !picture.prompt) return;
    const onButton = event.target instanceof HTMLButtonElement || event.target instanceof HTMLAnchorElement;
    if (onButton && (event.key === "Enter" || event.key === " ")) return; // it presses that button
    if (event.key === "q" || event.key === "Q") { stop(); return; }
    const key = event.key === "Enter" || event.key === " " ? "\r" : event.key;
    const wanted = picture.prompt.keys.find((each) => each.key.toLowerCase() === key.toLowerCase());
    if (wanted && wanted.key !== "q") { event.preventDefault(); answer(wanted.key); }
  });
  const wake = () => { try { bell = bell || new AudioContext(); bell.resume(); } catch { bell = null; } };
  for (const kind of ["pointerdown", "keydown"]) document.addEventListener(kind, wake);
})();
