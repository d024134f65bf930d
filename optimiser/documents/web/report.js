"use strict";
(() => {
  const data = JSON.parse(document.getElementById("data").textContent);
  const facts = data.facts;
  const box = document.getElementById("view");
  const svg = box.querySelector("svg");
  const card = document.getElementById("card");
  const bar = document.querySelector(".scale span");
  const touch = [...document.querySelectorAll("#touch [data-of]")];
  const whole = svg.viewBox.baseVal;
  const home = { x: whole.x, y: whole.y, w: whole.width, h: whole.height };
  const TAP_PX = 8;

  // x, y: what lies in the upper left corner, in mm; mm: of the drawing for a pixel of the screen
  let x = 0, y = 0, mm = 1, fitted = true, drawn = 0;

  const widthPx = () => Math.max(box.clientWidth, 1);
  const heightPx = () => Math.max(box.clientHeight, 1);
  const fitMm = () => Math.max(home.w / widthPx(), home.h / heightPx());
  const clamp = (value, low, high) => Math.min(Math.max(value, low), high);

  function draw() {
    drawn = 0;
    svg.setAttribute("viewBox", `${x} ${y} ${widthPx() * mm} ${heightPx() * mm}`);
    const most = 110 * mm / data.mm_per_m;
    const power = 10 ** Math.floor(Math.log10(most));
    const metres = [5, 2, 1].map(n => n * power).find(n => n <= most);
    bar.style.width = `${metres * data.mm_per_m / mm}px`;
    bar.textContent = `${Number(metres.toPrecision(1))} m`;
  }

  function later() {
    x = clamp(x, home.x - widthPx() * mm / 2, home.x + home.w - widthPx() * mm / 2);
    y = clamp(y, home.y - heightPx() * mm / 2, home.y + home.h - heightPx() * mm / 2);
    if (!drawn) drawn = requestAnimationFrame(draw);
  }

  function centre(atX, atY) {
    x = atX - widthPx() * mm / 2;
    y = atY - heightPx() * mm / 2;
    later();
  }

  function fit() {
    const high = box.clientWidth * home.h / home.w;
    const [least, most] = innerWidth < 880 ? [0.42, 0.6] : [0.5, 0.78];
    box.style.height = `${clamp(high, innerHeight * least, innerHeight * most)}px`;
    mm = fitMm();
    fitted = true;
    centre(home.x + home.w / 2, home.y + home.h / 2);
  }

  function zoom(times, px, py) {
    const next = clamp(mm / times, fitMm() / 60, fitMm() * 1.5);
    x += px * (mm - next);
    y += py * (mm - next);
    mm = next;
    fitted = false;
    later();
  }

  const fromMiddle = times => zoom(times, widthPx() / 2, heightPx() / 2);

  // --- what is shown of a thing

  function link(words, place) {
    const made = document.createElement("button");
    made.type = "button";
    made.dir = "auto";
    made.textContent = words;
    made.addEventListener("click", () => select(place, true));
    return made;
  }

  function select(place, go, also = []) {
    const fact = facts[place];
    const lit = new Set(fact.marks.map(String));
    const found = touch.filter(mark => mark.classList.toggle("lit", lit.has(mark.dataset.of)));
    const head = document.createElement("h3");
    const name = document.createElement("bdi");
    name.textContent = fact.name;
    head.append(`${fact.kind} `, name);
    const list = document.createElement("dl");
    for (const [label, values] of fact.rows) {
      const term = document.createElement("dt"), said = document.createElement("dd");
      term.textContent = label;
      said.dir = "auto";
      for (const [words, to] of values) said.append(to < 0 ? words : link(words, to));
      list.append(term, said);
    }
    card.replaceChildren(head, list);
    const others = also.filter(other => other !== place);
    if (others.length) {
      const here = document.createElement("p");
      here.className = "also";
      here.append("also here: ", ...others.map(other => link(`${facts[other].kind} ${facts[other].name}`, other)));
      card.append(here);
    }
    card.scrollTop = 0;
    if (go && found.length) show(found);
  }

  function show(marks) {
    let left = Infinity, top = Infinity, right = -Infinity, bottom = -Infinity;
    for (const mark of marks) {
      const area = mark.getBBox();
      left = Math.min(left, area.x);
      top = Math.min(top, area.y);
      right = Math.max(right, area.x + area.width);
      bottom = Math.max(bottom, area.y + area.height);
    }
    const needed = 1.3 * Math.max((right - left) / widthPx(), (bottom - top) / heightPx());
    mm = clamp(Math.max(needed, Math.min(mm, fitMm() / 3)), fitMm() / 60, fitMm());
    fitted = false;
    centre((left + right) / 2, (top + bottom) / 2);
  }

  function tap(px, py) {
    const here = document.elementsFromPoint(px, py).map(found => found.dataset && found.dataset.of).filter(Boolean);
    const places = [...new Set(here)].map(Number);
    if (places.length) select(places[0], false, places.slice(0, 8));
  }

  // --- fingers, mouse, keys

  const fingers = new Map();
  let moved = 0, last = null;

  function pair() {
    const all = [...fingers.values()].slice(0, 2);
    const middle = { x: 0, y: 0, apart: 0 };
    for (const finger of all) {
      middle.x += finger.x / all.length;
      middle.y += finger.y / all.length;
    }
    if (all.length > 1) middle.apart = Math.hypot(all[0].x - all[1].x, all[0].y - all[1].y);
    return middle;
  }

  box.addEventListener("pointerdown", event => {
    if (event.button) return;
    if (!fingers.size) moved = 0;
    fingers.set(event.pointerId, { x: event.clientX, y: event.clientY });
    if (fingers.size > 1) moved = Infinity;
    last = pair();
  });
  addEventListener("pointermove", event => {
    const finger = fingers.get(event.pointerId);
    if (!finger) return;
    moved += Math.hypot(event.clientX - finger.x, event.clientY - finger.y);
    finger.x = event.clientX;
    finger.y = event.clientY;
    if (moved <= TAP_PX) return;
    const now = pair(), edge = box.getBoundingClientRect();
    box.classList.add("moving");
    x -= (now.x - last.x) * mm;
    y -= (now.y - last.y) * mm;
    fitted = false;
    if (now.apart && last.apart) zoom(now.apart / last.apart, now.x - edge.left, now.y - edge.top);
    last = now;
    later();
  });
  function up(event) {
    if (!fingers.delete(event.pointerId)) return;
    if (event.type === "pointerup" && moved <= TAP_PX) tap(event.clientX, event.clientY);
    if (fingers.size) last = pair();
    else box.classList.remove("moving");
  }
  addEventListener("pointerup", up);
  addEventListener("pointercancel", up);
  box.addEventListener("wheel", event => {
    event.preventDefault();
    const edge = box.getBoundingClientRect();
    const lines = event.deltaMode === 1 ? 30 : 1;
    zoom(Math.exp(-clamp(event.deltaY * lines, -300, 300) * 0.002), event.clientX - edge.left, event.clientY - edge.top);
  }, { passive: false });
  box.addEventListener("keydown", event => {
    const step = 80 * mm;
    const moves = { ArrowLeft: [-step, 0], ArrowRight: [step, 0], ArrowUp: [0, -step], ArrowDown: [0, step] };
    if (event.key in moves) {
      x += moves[event.key][0];
      y += moves[event.key][1];
      fitted = false;
      later();
    } else if (event.key === "+" || event.key === "=") fromMiddle(1.4);
    else if (event.key === "-") fromMiddle(1 / 1.4);
    else if (event.key === "0") fit();
    else return;
    event.preventDefault();
  });

  const deeds = { in: () => fromMiddle(1.6), out: () => fromMiddle(1 / 1.6), fit };
  for (const button of document.querySelectorAll("[data-do]")) {
    button.addEventListener("click", deeds[button.dataset.do]);
  }

  // --- layers, finding, lists

  for (const input of document.querySelectorAll("[data-hides]")) {
    const parts = input.dataset.hides.split(" ").flatMap(part => [...svg.querySelectorAll(part)]);
    // A label is hidden by its own layer or by that of all labels: each counts for itself.
    const set = () => parts.forEach(part => part.classList.toggle("off", !input.checked));
    input.addEventListener("change", set);
    set();
  }
  document.addEventListener("pointerdown", event => {
    const layers = document.querySelector(".layers");
    if (layers.open && !layers.contains(event.target)) layers.open = false;
  });

  const find = document.getElementById("find");
  const called = facts.map(fact => `${fact.kind} ${fact.name}`);
  document.getElementById("names").append(...called.map(words => new Option("", words)));
  find.addEventListener("input", () => {
    const wanted = find.value.trim().toLowerCase();
    let place = called.findIndex(words => words.toLowerCase() === wanted);
    if (place < 0) place = facts.findIndex(fact => fact.name.toLowerCase() === wanted);
    if (place >= 0) select(place, true);
  });

  document.addEventListener("click", event => {
    const link = event.target.closest("[data-goes]");
    if (link) select(Number(link.dataset.goes), true);
  });

  // --- paper

  let shut = [];
  addEventListener("beforeprint", () => {
    shut = [...document.querySelectorAll("details:not([open])")].filter(part => !part.matches(".layers"));
    shut.forEach(part => { part.open = true; });
    svg.setAttribute("viewBox", `${home.x} ${home.y} ${home.w} ${home.h}`);
  });
  addEventListener("afterprint", () => {
    shut.forEach(part => { part.open = false; });
    draw();
  });

  new ResizeObserver(() => {
    if (fitted) fit();
    else later();
  }).observe(box);
  fit();
})();
