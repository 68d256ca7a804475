/* Draws the survey on a Leaflet map. All text enters the page as text, never as markup. */
"use strict";

const SEWER = "#00613a";
const INK = "#111111";
/* one dash pattern a hypothesis, so that lines differ without color */
const DASHES = ["14 7", "4 7", "18 6 3 6", "2 5 8 5", "24 10", "1 6"];

const POINTS_FINELY = matchMedia("(hover: hover) and (pointer: fine)").matches;

const STYLES = {
  street: () => ({ stroke: true, color: "#8c8c8c", weight: 1, fillColor: "#e6e6e3", fillOpacity: 1 }),
  lot: () => ({ color: INK, weight: 2.5, dashArray: "16 5 3 5", fill: false }),
  building: () => ({ color: INK, weight: 3, fillColor: "#d3d3cf", fillOpacity: 0.75 }),
  room: () => ({ color: "#4d4d4d", weight: 1, fillColor: "#ffffff", fillOpacity: 0.55 }),
  main: () => ({ color: SEWER, weight: 5, opacity: 0.9 }),
  flow: () => ({ color: SEWER, weight: 1, fillColor: SEWER, fillOpacity: 1 }),
  hit: (p) => ({ stroke: true, color: "#333333", weight: 0.6, fillColor: "#333333",
    fillOpacity: [0.1, 0.22, 0.38, 0.55][p.band] }),
  corridor: (p, index, color) => ({ color: color, weight: p.level > 0.9 ? 1.4 : 0.8, dashArray: p.level > 0.9 ? "2 4" : null,
    fillColor: color, fillOpacity: 0.13 }),
  route: (p, index, color) => ({ color: color, weight: index === 0 ? 5 : 3.5, dashArray: DASHES[index % DASHES.length],
    lineCap: "butt" }),
  /* what is inferred of it lies on its route, which is dashed already */
  stretch: (p) => ({ color: INK, weight: p.evidence === "exposed" ? 7 : 5, dashArray: p.evidence === "exposed" ? null : "16 4",
    lineCap: "butt", opacity: p.evidence === "inferred" ? 0 : 1 }),
  drain: () => ({ color: SEWER, weight: 5, dashArray: "9 5", lineCap: "butt" }),
  branch: () => ({ color: SEWER, weight: 3.5, dashArray: "9 5", lineCap: "butt" }),
  "exit-ellipse": () => ({ color: INK, weight: 1.5, dashArray: "3 3", fillColor: SEWER, fillOpacity: 0.2 }),
  "exit-turned": () => ({ color: SEWER, weight: 3, dashArray: "3 7", lineCap: "butt" }),
  "mark-ellipse": () => ({ color: "#555555", weight: 1, dashArray: "2 3", fill: false }),
  pit: () => ({ color: INK, weight: 3, fillColor: "#ffffff", fillOpacity: 1 }),
  dug: (p) => ({ color: INK, weight: 2, dashArray: p.found === "yes" ? null : "2 3", fillColor: "#808080", fillOpacity: 0.35 }),
  tie: () => ({ color: INK, weight: 1.3, dashArray: "1 5" }),
  "telling-pit": () => ({ color: INK, weight: 2, dashArray: "3 4", fillColor: "#ffffff", fillOpacity: 0.8 }),
  "spoil-setback": () => ({ color: "#7a3b00", weight: 2, dashArray: "7 5", fill: false }),
  "other-reading": () => ({ color: "#b0006d", weight: 4, dashArray: "4 7" }),
  "slab-opening": () => ({ color: "#5b2a86", weight: 2, fillColor: "#ffffff", fillOpacity: 0.75 }),
  "planned-branch": () => ({ color: "#5b2a86", weight: 4, dashArray: "6 4", lineCap: "butt" }),
  "planned-vent": () => ({ color: "#5b2a86", weight: 2, dashArray: "1 4" }),
  "keep-out": (p) => ({ color: p.color || "#7a3b00", weight: 3, fillOpacity: 0.15 }),
  clearance: (p) => ({ color: p.color || "#7a3b00", weight: 1.2, dashArray: "4 4", fillOpacity: 0.06 }),
};
const POINTS = {
  manhole: () => ({ radius: 8, color: SEWER, weight: 3, fillColor: "#ffffff", fillOpacity: 1 }),
  locate: (p) => ({ radius: p.evidence === "exposed" ? 7 : 6, color: INK, weight: 2.5,
    fillColor: p.evidence === "exposed" ? INK : "#ffffff", fillOpacity: 1 }),
  jamb: () => ({ radius: 4, color: "#6b6b6b", weight: 1.5, fillColor: "#d9d9d9", fillOpacity: 1 }),
  wye: () => ({ radius: 5, color: INK, weight: 2, fillColor: "#ffffff", fillOpacity: 1 }),
  exit: () => ({ radius: 7, color: INK, weight: 3, fillColor: SEWER, fillOpacity: 1 }),
  "keep-out": (p) => ({ radius: 6, color: p.color || "#7a3b00", weight: 3, fillColor: "#fff", fillOpacity: 1 }),
};
const GROUPS = [
  ["Streets and alleys (record)", ["street"]],
  ["Lot, house and rooms (record)", ["lot", "building", "room"]],
  ["Probability that a pit finds the pipe", ["hit"]],
  ["Public sewers, flow and manholes (record)", ["main", "flow", "manhole"]],
  ["No-dig areas (record)", ["clearance", "keep-out"]],
  ["Drain under the house and wall penetration (inferred)", ["drain", "branch", "wye", "exit-turned", "exit-ellipse", "exit"]],
  ["Stretches that were seen, or lie between such", ["stretch"]],
  ["Dug already: seen, or nothing found (dotted)", ["dug"]],
  ["Locate points, with depth", ["mark-ellipse", "locate"]],
  ["Door jambs and wall corners (taped)", ["jamb"]],
  ["Test pits and swing ties (proposed)", ["tie", "pit"]],
  ["Discriminating test pits (proposed)", ["telling-pit"]],
  ["Spoil stays outside this line", ["spoil-setback"]],
  ["Tie-in: branch to the drain, vent (planned)", ["planned-branch", "planned-vent"]],
  ["Tie-in: slab opening (planned)", ["slab-opening"]],
  ["Exit if the input is read otherwise (inferred)", ["other-reading"]],
];
const ORDER = ["street", "lot", "building", "room", "corridor", "hit", "main", "flow", "manhole", "clearance",
  "keep-out", "spoil-setback", "telling-pit", "slab-opening", "dug", "route", "stretch", "drain", "branch", "planned-branch", "planned-vent", "exit-turned", "exit-ellipse", "mark-ellipse",
  "tie", "pit", "jamb", "wye", "exit", "other-reading", "locate"];
const OFF_AT_FIRST = new Set(["hit", "telling-pit"]);

function textElement(tag, words) {
  const element = document.createElement(tag);
  element.textContent = words;
  return element;
}

/* The lower the rank, the sooner a label is kept where labels crowd. */
function label(places, words, classes, rank, color) {
  const box = document.createElement("div");
  const text = box.appendChild(textElement("span", words));
  if (color) { text.style.color = text.style.borderColor = color; }
  const all = Array.isArray(places) ? places : [places];
  return L.marker(all[0], { icon: L.divIcon({ html: box, className: "label " + classes, iconSize: null }),
    interactive: false, keyboard: false, pane: "labels", rank: rank, places: all });
}

const MARKS = ["pit", "locate", "exit", "manhole"];
const FARTHER_PX = [0, 14];
const SIDES = ["to-right", "to-left", "to-up", "to-down"];

/* Hide labels that would lie on a mark or on a label that matters more; first try other places. */
function declutter(map) {
  const frame = map.getContainer().getBoundingClientRect();
  const marks = MARKS.flatMap((name) => [...map.getPane("z-" + name).querySelectorAll("path")])
    .map((path) => path.getBoundingClientRect());
  const kept = [...marks];
  const labels = [];
  map.eachLayer((layer) => { if (layer.options.rank !== undefined) { labels.push(layer); } });
  labels.sort((a, b) => a.options.rank - b.options.rank);
  const within = (r) => r.left >= frame.left && r.right <= frame.right && r.top >= frame.top && r.bottom <= frame.bottom;
  const fits = (r) => within(r) && kept.every((k) => r.right < k.left || r.left > k.right || r.bottom < k.top + 1 || r.top > k.bottom - 1);
  labels.forEach((marker) => {
    const element = marker.getElement();
    const box = () => element.querySelector("span").getBoundingClientRect();
    const at = map.getContainer().getBoundingClientRect();
    const sides = element.classList.contains("beside") ? SIDES : [null];
    let free = false;
    for (const place of marker.options.places) {
      marker.setLatLng(place);
      const spot = map.latLngToContainerPoint(L.latLng(place));
      const own = marks.find((m) => Math.hypot((m.left + m.right) / 2 - at.left - spot.x, (m.top + m.bottom) / 2 - at.top - spot.y) < 3);
      const aside = (own ? Math.max(own.width, own.height) / 2 : 6) + 4;
      free = FARTHER_PX.some((more) => sides.some((side) => {
        element.style.setProperty("--aside", aside + more + "px");
        SIDES.forEach((s) => element.classList.toggle(s, s === side));
        return fits(box());
      }));
      if (free) { break; }
    }
    const shown = free || (marker.options.rank === 0 && within(box()));
    element.classList.toggle("crowded", !shown);
    if (shown) { kept.push(box()); }
  });
}

/* A point some share of the way along a line. */
function along(layer, share) {
  const places = layer.getLatLngs().flat(2);
  const steps = [0];
  for (let i = 1; i < places.length; i += 1) {
    steps.push(steps[i - 1] + places[i].distanceTo(places[i - 1]));
  }
  const wanted = share * steps[steps.length - 1];
  for (let i = 1; i < places.length; i += 1) {
    if (steps[i] >= wanted) {
      const part = (wanted - steps[i - 1]) / (steps[i] - steps[i - 1] || 1);
      return L.latLng(places[i - 1].lat + part * (places[i].lat - places[i - 1].lat),
        places[i - 1].lng + part * (places[i].lng - places[i - 1].lng));
    }
  }
  return places[0];
}

/* Where along a line its label may stand, the middle first. */
const SHARES = Array.from({ length: 41 }, (_, i) => 0.5 + (i % 2 ? 1 : -1) * Math.ceil(i / 2) / 42);

/* Places on the diagonals of a box, its middle first. */
function inside(bounds) {
  const [a, b] = [bounds.getSouthWest(), bounds.getNorthEast()];
  return SHARES.flatMap((u) => [u, 1 - u].map((v) => L.latLng(a.lat + u * (b.lat - a.lat), a.lng + v * (b.lng - a.lng))));
}

/* Browsers let Tab stop at every shape with a tooltip: keep it to what a person would read. */
function nameForKeys(element, p) {
  const stop = p.layer === "pit" || p.layer === "locate" || p.layer === "exit";
  element.setAttribute("tabindex", stop ? "0" : "-1");
  element.setAttribute("role", p.layer === "pit" ? "button" : "img");
  element.setAttribute("aria-label", p.words + (p.layer === "locate" ? " " + p.label : ""));
  if (p.layer === "pit") {
    element.addEventListener("keydown", (event) => { if (event.key === "Enter" || event.key === " ") { openPit(p.rank); } });
  }
}

function drawFeature(feature, data) {
  const p = feature.properties;
  const index = data.hypotheses.findIndex((h) => h.id === p.hypothesis);
  const style = STYLES[p.layer];
  const drawn = L.geoJSON(feature, {
    pane: "z-" + p.layer,
    style: style ? style(p, index, data.hypotheses[index]?.color) : undefined,
    pointToLayer: (_, place) => L.circleMarker(place, { ...POINTS[p.layer](p), pane: "z-" + p.layer }),
  });
  drawn.eachLayer((layer) => {
    if (POINTS_FINELY) { layer.bindTooltip(() => textElement("span", p.words), { sticky: true }); }
    layer.on("click", () => {
      document.getElementById("map-words").textContent = p.words;
      if (p.layer === "pit") { openPit(p.rank); }
    });
    layer.on("add", () => nameForKeys(layer.getElement(), p));
  });
  const shape = drawn.getLayers()[0];
  /* yellow on white paper needs a dark edge */
  if (p.layer === "keep-out" && !shape.getLatLng) {
    drawn.addLayer(L.geoJSON(feature, { pane: "z-clearance", interactive: false,
      style: { color: INK, weight: 6, fill: false } }));
  }
  const center = () => drawn.getBounds().getCenter();
  if (p.layer === "pit") { drawn.addLayer(label(center(), "Pit " + p.rank, "beside pit-label", p.rank === 1 ? 0 : 0.5)); }
  if (p.layer === "dug" && p.found === "no") { drawn.addLayer(label(center(), p.label + ", nothing found", "beside", 2.5)); }
  if (p.layer === "locate") { drawn.addLayer(label(shape.getLatLng(), p.label, "beside", 2)); }
  if (p.layer === "manhole") { drawn.addLayer(label(shape.getLatLng(), p.label, "beside sewer", 5)); }
  if (p.layer === "exit") { drawn.addLayer(label(shape.getLatLng(), "wall penetration", "beside", 3)); }
  if (p.layer === "main") { drawn.addLayer(label(SHARES.map((share) => along(shape, share)), p.label, "sewer", 4)); }
  if (p.layer === "planned-branch") { drawn.addLayer(label([0.4, 0.1, 0.7].map((share) => along(shape, share)), p.label, "beside planned", 3)); }
  if (p.layer === "telling-pit") { drawn.addLayer(label(center(), p.label, "beside", 3)); }
  if (p.layer === "tie") { drawn.addLayer(label(along(shape, 0.5), p.label, "faint", 8)); }
  if (p.layer === "street") { drawn.addLayer(label(inside(drawn.getBounds()), p.label, "faint", 6)); }
  if (p.layer === "room") { drawn.addLayer(label(center(), p.label, "faint", 9)); }
  if (p.layer === "keep-out") { drawn.addLayer(label(center(), p.label.includes(p.kind) ? p.label : p.kind + " " + p.label, "beside", 7)); }
  if (p.layer === "route") {
    const h = data.hypotheses[index];
    drawn.addLayer(label([0.55, 0.75, 0.4, 0.9, 0.25].map((share) => along(shape, share)), h.letter + ": " + h.percent + ", inferred, not located", "beside route-label", 1, h.color));
  }
  return drawn;
}

/* A small picture of a layer's look, for the list of layers. */
function swatch(layers, index, color = SEWER) {
  const key = layers[layers.length - 1];
  const size = 'width="34" height="16" viewBox="0 0 34 16" aria-hidden="true"';
  const look = { p: { evidence: "located", level: 0.5, band: 1, kind: "" } };
  if (POINTS[key] && key !== "keep-out") {
    const s = POINTS[key](look.p);
    return `<svg ${size}><circle cx="17" cy="8" r="5.5" stroke="${s.color}" stroke-width="2.5" fill="${s.fillColor}"/></svg>`;
  }
  const s = STYLES[key](look.p, index, color);
  const dash = s.dashArray ? `stroke-dasharray="${s.dashArray}"` : "";
  if (["street", "hit", "pit", "room", "slab-opening", "spoil-setback", "telling-pit"].includes(key)) {
    return `<svg ${size}><rect x="5" y="2" width="24" height="12" stroke="${s.color}" stroke-width="2" fill="${s.fillColor || "none"}" fill-opacity="${s.fillOpacity || 0}" ${dash}/></svg>`;
  }
  return `<svg ${size}><line x1="0" x2="34" y1="8" y2="8" stroke="${s.color}" stroke-width="${s.weight}" ${dash}/></svg>`;
}

/* What the symbols mean that no line of the list of layers names by itself. */
function addLegend(data) {
  const point = (s, extra) => `<circle cx="17" cy="8" r="${Math.min(s.radius, 6)}" stroke="${s.color}" stroke-width="${s.weight}" fill="${s.fillColor}"/>${extra || ""}`;
  const shade = (opacity) => `<rect x="3" y="2" width="28" height="12" fill="${SEWER}" fill-opacity="${opacity}" stroke="${SEWER}" stroke-width="0.8"/>`;
  const oval = (s) => `<ellipse cx="17" cy="8" rx="14" ry="6" fill="${s.fillColor || "none"}" fill-opacity="${s.fillOpacity || 0}" stroke="${s.color}" stroke-width="${s.weight}" stroke-dasharray="${s.dashArray}"/>`;
  const has = (layer, test) => data.features.some((f) => f.properties.layer === layer && (!test || test(f.properties)));
  const seen = (evidence) => (p) => p.evidence === evidence;
  [
    [has("locate", seen("exposed")), point(POINTS.locate({ evidence: "exposed" })), "Seen (exposed): cleanout, stack, floor drain or pipe"],
    [has("locate", seen("located")), point(POINTS.locate({ evidence: "located" })), "Found by the locator from above (located), with depth"],
    [has("jamb"), point(POINTS.jamb()), "Door jamb or wall corner, taped: no point of the drain"],
    [has("mark-ellipse"), oval(STYLES["mark-ellipse"]()), "Where a point lies with 95 %"],
    [has("exit"), point(POINTS.exit()), "Wall penetration (inferred)"],
    [has("exit-ellipse"), oval(STYLES["exit-ellipse"]()), "Where the wall penetration lies with 95 %"],
    [has("exit-turned"), `<path d="M2 8 L32 8" stroke="${SEWER}" stroke-width="3" stroke-dasharray="3 7"/>`, "Other direction out of the wall, if the drain bends where no point shows it"],
    [has("corridor"), shade(0.34), "Corridor of an alternative: 50 % of its routes lie wholly within the darkest part"],
    [has("corridor"), shade(0.24), "80 % within the middle part"],
    [has("corridor"), shade(0.13), "95 % within the lightest part, edge dotted"],
    [has("manhole"), point(POINTS.manhole()), "Manhole (record)"],
    [has("flow"), `<path d="M9 2 L27 8 L9 14 Z" fill="${SEWER}"/>`, "Flow in a sewer (record)"],
    [has("clearance"), oval({ ...STYLES.clearance({}), fillOpacity: 0.06 }), "Clearance kept about a no-dig area"],
  ].filter((row) => row[0]).forEach(([, picture, words]) => {
    const line = document.createElement("li");
    line.innerHTML = `<svg width="34" height="16" viewBox="0 0 34 16" aria-hidden="true">${picture}</svg>`;
    line.append(textElement("span", words));
    document.getElementById("legend").append(line);
  });
}

/* Text as HTML, for Leaflet's list of layers, which takes markup. */
function escaped(words) {
  return textElement("span", words).innerHTML;
}

function addLayers(map, data) {
  ORDER.forEach((name, index) => { map.createPane("z-" + name).style.zIndex = 400 + index; });
  map.createPane("labels").style.zIndex = 640;
  const byOrder = [...data.features].sort(
    (a, b) => ORDER.indexOf(a.properties.layer) - ORDER.indexOf(b.properties.layer));
  const overlays = {};
  const add = (name, picture, chosen, shown) => {
    const group = L.layerGroup(byOrder.filter((f) => chosen(f.properties)).map((f) => drawFeature(f, data)));
    if (group.getLayers().length === 0) { return; }
    if (shown) { group.addTo(map); }
    overlays[picture + "<span>" + escaped(name) + "</span>"] = group;
  };
  data.hypotheses.forEach((h, index) => {
    add(h.letter + ": " + h.name + ", " + h.percent + " (inferred)", swatch(["route"], index, h.color),
      (p) => p.hypothesis === h.id && (p.layer === "route" || p.layer === "corridor"), h.probability >= 0.02);
  });
  GROUPS.forEach(([name, layers]) => {
    add(name, swatch(layers, 0), (p) => layers.includes(p.layer), !layers.some((l) => OFF_AT_FIRST.has(l)));
  });
  const control = L.control.layers(null, overlays, { collapsed: false, sortLayers: false }).addTo(map);
  document.getElementById("layers").appendChild(control.getContainer());
}

/* Ground meters between two places, by the lot's own scale (not a sphere's). */
function groundMeters(a, b, meters) {
  const dx = b.lng - a.lng;
  const dy = b.lat - a.lat;
  return Math.hypot(meters.xx * dx + meters.xy * dy, meters.yx * dx + meters.yy * dy);
}

function feetAndInches(meters) {
  const inches = Math.round(meters / 0.0254);
  const sign = inches < 0 ? "-" : "";
  const whole = Math.abs(inches);
  return whole < 12 ? sign + whole + '"' : sign + Math.floor(whole / 12) + "' " + (whole % 12) + '"';
}

function bothUnits(meters, imperial) {
  const metric = meters.toFixed(2) + " m";
  return imperial ? feetAndInches(meters) + " (" + metric + ")" : metric + " (" + feetAndInches(meters) + ")";
}

function oneUnit(meters, imperial) {
  return imperial ? feetAndInches(meters) : meters.toFixed(2) + " m";
}

function toolButton(words, act) {
  const button = textElement("button", words);
  button.type = "button";
  button.className = "tool";
  button.addEventListener("click", () => act(button));
  document.getElementById("tools").append(button);
  return button;
}

function pressed(button, state) {
  button.setAttribute("aria-pressed", String(state));
}

/* One finger scrolls the page; two fingers, or the button, move the map. */
function addTools(map, say) {
  toolButton("+", () => map.zoomIn()).setAttribute("aria-label", "Zoom in");
  toolButton("\u2212", () => map.zoomOut()).setAttribute("aria-label", "Zoom out");
  const sheet = document.getElementById("layers-sheet");
  const layers = toolButton(say["Layers"], () => show(sheet.hidden));
  const show = (state) => { sheet.hidden = !state; layers.setAttribute("aria-expanded", String(state)); };
  document.getElementById("layers-close").addEventListener("click", () => { show(false); layers.focus(); });
  sheet.addEventListener("keydown", (event) => { if (event.key === "Escape") { show(false); layers.focus(); } });
  L.DomEvent.disableClickPropagation(sheet);
  L.DomEvent.disableScrollPropagation(sheet);
  show(false);
  if (POINTS_FINELY) { return; }
  map.dragging.disable();
  const move = toolButton(say["Move map"], () => {
    map.dragging[map.dragging.enabled() ? "disable" : "enable"]();
    pressed(move, map.dragging.enabled());
  });
  pressed(move, false);
}

function addMeasure(map, data) {
  map.createPane("measure").style.zIndex = 635;
  const line = L.polyline([], { color: "#b00020", weight: 3, dashArray: "8 4", pane: "measure" });
  line.addTo(map);
  let on = false;
  const out = document.createElement("output");
  out.className = "measured";
  const say = (words) => { out.textContent = words; };
  const total = () => {
    const places = line.getLatLngs();
    let sum = 0;
    for (let i = 1; i < places.length; i += 1) { sum += groundMeters(places[i - 1], places[i], data.meters); }
    say(places.length < 2 ? "Tap the next point." : bothUnits(sum, data.imperial));
  };
  const add = (place) => { line.addLatLng(place); total(); };
  const button = toolButton(data.finds.say["Measure"], () => turn(!on));
  const turn = (state) => {
    on = state;
    pressed(button, on);
    line.setLatLngs([]);
    say(on ? "Tap points on the map. On keys: move the map, Enter takes its middle, Escape ends." : "");
    map.getContainer().style.cursor = on ? "crosshair" : "";
  };
  pressed(button, false);
  document.getElementById("tools").append(out);
  map.on("click", (event) => { if (on) { add(event.latlng); } });
  map.getContainer().addEventListener("keydown", (event) => {
    if (!on) { return; }
    if (event.key === "Enter") { add(map.getCenter()); }
    if (event.key === "Escape") { turn(false); }
  });
}

/* The phone's own place, only where it is asked for; never shown as better than it says it is. */
function addHere(map, data) {
  if (!navigator.geolocation) { return; }
  const said = document.getElementById("map-words");
  const shown = L.layerGroup().addTo(map);
  let watch = null;
  const found = (place) => {
    const at = L.latLng(place.coords.latitude, place.coords.longitude);
    const within = place.coords.accuracy;
    shown.clearLayers();
    L.circle(at, { radius: within, color: "#0b57d0", weight: 2, fillOpacity: 0.12, interactive: false, className: "here" }).addTo(shown);
    L.circleMarker(at, { radius: 5, color: "#0b57d0", fillOpacity: 1, interactive: false }).addTo(shown);
    if (!map.getBounds().contains(at)) { map.fitBounds(map.getBounds().extend(at)); }
    const away = data.pits.length ? groundMeters(at, L.latLng(data.pits[0]), data.meters) : null;
    said.textContent = "You are within " + oneUnit(within, data.imperial) + " of the blue point, as the phone says; not to dig by: use the tapes." +
      (away === null ? "" : " Pit 1 is " + oneUnit(Math.max(away - within, 0), data.imperial) + " to " + oneUnit(away + within, data.imperial) + " away.");
  };
  const stop = () => { navigator.geolocation.clearWatch(watch); watch = null; shown.clearLayers(); said.textContent = ""; };
  const button = toolButton(data.finds.say["Where am I"], () => {
    if (watch !== null) { stop(); } else {
      watch = navigator.geolocation.watchPosition(found, (error) => { stop(); pressed(button, false); said.textContent = "The phone gives no place: " + error.message; },
        { enableHighAccuracy: true, maximumAge: 0 });
    }
    pressed(button, watch !== null);
  });
  pressed(button, false);
}

/* Scale and north arrow stand under the map, where they cover nothing. */
function addScale(map) {
  const foot = document.getElementById("scale");
  foot.innerHTML = '<svg width="22" height="34" viewBox="0 0 40 58" role="img" aria-label="North is up">' +
    '<path d="M20 3 L31 40 L20 33 L9 40 Z" fill="#fff" stroke="#111" stroke-width="2"/>' +
    '<path d="M20 3 L20 33 L9 40 Z" fill="#111"/>' +
    '<text x="20" y="56" text-anchor="middle" font-size="18" font-weight="700">N</text></svg>';
  foot.append(L.control.scale({ maxWidth: 140 }).addTo(map).getContainer());
}

/* ---- the card of a pit */
function openPit(rank) {
  document.getElementById("pit-" + rank).showModal();
}

function addPitCards() {
  document.querySelectorAll("[data-pit]").forEach((button) => {
    button.addEventListener("click", () => openPit(button.dataset.pit));
  });
  document.querySelectorAll(".pit-sheet").forEach((sheet) => {
    sheet.querySelector(".close").addEventListener("click", () => sheet.close());
    sheet.addEventListener("click", (event) => { if (event.target === sheet) { sheet.close(); } });
  });
  document.querySelectorAll(".copy").forEach((line) => {
    line.querySelector("button").addEventListener("click", () => copyText(line.querySelector("input"), line.querySelector("[role=status]")));
  });
}

/* Copy what a field holds; where the browser forbids it, it stays marked to be copied by hand. */
async function copyText(field, said) {
  field.focus();
  field.select();
  let done = document.execCommand("copy");
  if (!done && navigator.clipboard) {
    done = await navigator.clipboard.writeText(field.value).then(() => true, () => false);
  }
  said.textContent = done ? "\u2713" : "\u2026";
}

function interpolate(at, from, values) {
  let i = 1;
  while (i < from.length - 1 && from[i] < at) { i += 1; }
  const share = Math.min(Math.max((at - from[i - 1]) / (from[i] - from[i - 1] || 1), 0), 1);
  return values[i - 1] + share * (values[i] - values[i - 1]);
}

function addSection(map, data) {
  const range = document.getElementById("walk");
  const out = document.getElementById("walk-out");
  const drawings = [...document.querySelectorAll("svg.profile")];
  const s = data.profile;
  const spot = L.circleMarker([0, 0], { radius: 9, color: "#b00020", weight: 4, fill: false, pane: "labels",
    interactive: false });
  const [first, last] = [Number(drawings[0].dataset.first), Number(drawings[0].dataset.last)];
  const show = (share) => {
    const station = first + share * (last - first);
    const value = (key) => interpolate(station, s.station, s[key]);
    drawings.forEach((svg) => {
      const [left, right] = [Number(svg.dataset.left), Number(svg.dataset.right)];
      const cursor = svg.querySelector(".cursor");
      cursor.setAttribute("x1", left + share * (right - left));
      cursor.setAttribute("x2", left + share * (right - left));
      cursor.setAttribute("visibility", "visible");
    });
    spot.setLatLng([value("latitude"), value("longitude")]).addTo(map);
    const depth = (key) => oneUnit(value(key), data.imperial);
    out.textContent = oneUnit(Math.abs(station), data.imperial) +
      (station < 0 ? " inside the wall: invert " : " outside the wall: invert ") +
      oneUnit(value("surface") - value("invert"), data.imperial) +
      " down (90 %: " + depth("shallow") + " to " + depth("deep") + "), inferred";
  };
  drawings.forEach((svg) => {
    const hover = svg.querySelector(".hover");
    const follow = (event) => {
      const box = hover.getBoundingClientRect();
      const share = Math.min(Math.max((event.clientX - box.left) / box.width, 0), 1);
      range.value = String(Math.round(share * 1000));
      show(share);
    };
    hover.addEventListener("pointermove", follow);
    hover.addEventListener("pointerdown", follow);
  });
  range.addEventListener("input", () => show(Number(range.value) / 1000));
}

/* On paper nothing is folded away, and the map is drawn for the width of a sheet. */
function addPrinting(map, data) {
  let folded = [];
  window.addEventListener("beforeprint", () => {
    folded = [...document.querySelectorAll("details:not([open])")];
    folded.forEach((one) => { one.open = true; });
    document.body.classList.add("printing");
    fit(map, data);
  });
  window.addEventListener("afterprint", () => {
    folded.forEach((one) => { one.open = false; });
    document.body.classList.remove("printing");
    fit(map, data);
  });
}

function fit(map, data) {
  map.invalidateSize({ animate: false });
  map.fitBounds(data.bounds, { padding: [14, 14], animate: false });
}

/* A probability in words, as the program says it. */
function percentWords(p) {
  if (p > 0 && p < 0.01) { return "under 1 %"; }
  if (p > 0.99 && p < 1) { return "over 99 %"; }
  return Math.round(p * 100) + " %";
}

/* Posterior from priors and ln Z: prior times Z, over the sum; null stands for ln 0. */
function posterior(prior, logEvidence) {
  const logs = prior.map((p, i) => (p > 0 && logEvidence[i] !== null ? Math.log(p) + logEvidence[i] : -Infinity));
  const highest = Math.max(...logs);
  if (highest === -Infinity) { return prior.map(() => NaN); }
  const weights = logs.map((value) => Math.exp(value - highest));
  const sum = weights.reduce((a, b) => a + b, 0);
  return weights.map((w) => w / sum);
}

function addWhatIf(data) {
  const table = data.what_if;
  const fieldset = document.getElementById("what-if-items");
  const rows = document.getElementById("what-if-rows");
  const boxes = table.items.map((item) => {
    const line = document.createElement("label");
    const box = document.createElement("input");
    box.type = "checkbox";
    box.checked = item.counted;
    line.append(box, textElement("span", item.label));
    fieldset.append(line);
    return box;
  });
  const lines = data.hypotheses.map((h, i) => {
    const row = document.createElement("tr");
    const input = document.createElement("input");
    input.type = "number";
    input.min = "0";
    input.step = "any";
    input.setAttribute("aria-label", "Prior weight of " + h.name);
    const before = document.createElement("td");
    before.append(input);
    const after = textElement("td", h.percent);
    row.append(textElement("td", h.letter + ": " + h.name), before, textElement("td", h.percent), after);
    rows.append(row);
    const line = { input, after, weight: table.prior[i] };
    input.addEventListener("input", () => {
      const typed = Number(input.value);
      line.weight = Number.isFinite(typed) && typed >= 0 ? typed / 100 : 0;
      update();
    });
    return line;
  });
  const key = () => boxes.reduce((sum, box, i) => sum + (box.checked ? 0 : 2 ** i), 0);
  const update = () => {
    const found = posterior(lines.map((line) => line.weight), table.log_evidence[String(key())]);
    lines.forEach((line, i) => {
      line.after.textContent = Number.isNaN(found[i]) ? "nothing fits" : percentWords(found[i]);
      line.after.dataset.probability = String(found[i]);
    });
  };
  const reset = () => {
    boxes.forEach((box, i) => { box.checked = table.items[i].counted; });
    lines.forEach((line, i) => {
      line.weight = table.prior[i];
      line.input.value = String(Number((table.prior[i] * 100).toPrecision(3)));
      line.after.textContent = data.hypotheses[i].percent;
      delete line.after.dataset.probability;
    });
  };
  boxes.forEach((box) => box.addEventListener("change", () => {
    /* with many items only sets of one are tabulated */
    if (table.log_evidence[String(key())] === undefined) {
      boxes.forEach((other) => { if (other !== box) { other.checked = true; } });
    }
    update();
  }));
  document.getElementById("what-if-reset").addEventListener("click", reset);
  reset();
}

function showSurvey(map) {
  const data = JSON.parse(document.getElementById("survey-data").textContent);
  map.getContainer().setAttribute("role", "application");
  map.getContainer().setAttribute("aria-label",
    "Map of the lot; arrow keys move it, plus and minus zoom");
  addPitCards();
  addLayers(map, data);
  addLegend(data);
  addTools(map, data.finds.say);
  addMeasure(map, data);
  addFinds(map, data);
  addHere(map, data);
  addScale(map);
  addSection(map, data);
  addPrinting(map, data);
  addWhatIf(data);
  fit(map, data);
  declutter(map);
  map.on("moveend zoomend overlayadd overlayremove resize", () => declutter(map));
  document.body.dataset.ready = "yes";
}
