/* What was dug weighs the page's routes anew, as the program does: w' = w L / sum(w L).
   A route is a row of vertices (x, y) with inverts; a hole is {x, y, angle, length, width}. */
"use strict";

/* Whether a hole shows each route's pipe: 1 where it passes within, above the bottom. */
function holeShows(routes, hole, bottom, added) {
  const [cosine, sine] = [Math.cos(hole.angle), Math.sin(hole.angle)];
  const local = (p) => [(p[0] - hole.x) * cosine + (p[1] - hole.y) * sine, (p[1] - hole.y) * cosine - (p[0] - hole.x) * sine];
  const half = [hole.length / 2, hole.width / 2];
  return routes.vertices.map((line, i) => {
    let highest = -Infinity;
    for (let k = 1; k < line.length; k += 1) {
      const [a, b] = [local(line[k - 1]), local(line[k])];
      let [low, high] = [0, 1];
      for (const axis of [0, 1]) {
        const step = b[axis] - a[axis];
        if (step === 0) {
          if (Math.abs(a[axis]) > half[axis]) { high = -1; }
        } else {
          const ends = [(-half[axis] - a[axis]) / step, (half[axis] - a[axis]) / step];
          low = Math.max(low, Math.min(...ends));
          high = Math.min(high, Math.max(...ends));
        }
      }
      if (low <= high && (a[0] !== b[0] || a[1] !== b[1])) {
        const [from, to] = [routes.inverts[i][k - 1], routes.inverts[i][k]];
        highest = Math.max(highest, from + low * (to - from), from + high * (to - from));
      }
    }
    return highest + added > bottom ? 1 : 0;
  });
}

function normalDensity(x, sd) {
  return Math.exp(-0.5 * (x / sd) ** 2) / (sd * Math.sqrt(2 * Math.PI));
}

/* The density of a find: this drain where it is said to be, or a stray pipe. Of first straights,
   those that end before the find may pass anywhere. */
function findLikelihood(data, routes, find) {
  return routes.vertices.map((line, i) => {
    let best = Infinity;
    let invert = 0;
    let along = 0;
    for (let k = 1; k < line.length; k += 1) {
      const [a, b] = [line[k - 1], line[k]];
      const step = [b[0] - a[0], b[1] - a[1]];
      const squared = step[0] ** 2 + step[1] ** 2;
      const share = Math.min(Math.max(((find.x - a[0]) * step[0] + (find.y - a[1]) * step[1]) / (squared || 1), 0), 1);
      const away = Math.hypot(find.x - a[0] - share * step[0], find.y - a[1] - share * step[1]);
      if (away < best) {
        best = away;
        along = share;
        invert = routes.inverts[i][k - 1] + share * (routes.inverts[i][k] - routes.inverts[i][k - 1]);
      }
    }
    const stray = strayFind(data, find);
    if (routes !== data && along >= 1) { return stray; }
    let right = normalDensity(best, data.across_sd[find.work]);
    if (find.invert !== null) { right *= normalDensity(invert - find.invert, data.depth_sd); }
    return data.right[find.work] * right + (1 - data.right[find.work]) * stray;
  });
}

/* The density of a stray find, which is all that an alternative without routes expects. */
function strayFind(data, find) {
  return 1 / data.stray_breadth / (find.invert === null ? 1 : data.stray_depth);
}

/* The weights after all finds, of routes and of alternatives without any, and how surely a hole that a route crosses shows its pipe. */
function weighFinds(data, finds) {
  const c = data.common;
  const before = data.apart || data.weights.map(() => 1);
  const found = finds.filter((find) => find.found);
  const after = (routes, known) => {
    const apart = [...known];
    finds.filter((find) => !find.found).forEach((find) => {
      holeShows(routes, find, find.bottom, data.diameter).forEach((shows, i) => {
        apart[i] *= 1 - Math.min(data.shows[find.work] * shows / (1 - c), 1);
      });
    });
    return apart;
  };
  const apart = after(data, before);
  const joint = (a) => c + (1 - c) * a;
  const showing = (a) => (1 - c / joint(a)) / (1 - c);
  const sum = (list) => list.reduce((a, b) => a + b, 0);
  const weighed = (routes, start, then, known) => {
    const told = found.map((find) => findLikelihood(data, routes, find));
    return start.map((w, i) => told.reduce((product, of) => product * of[i], w * joint(then[i]) / joint(known[i])));
  };
  const weights = weighed(data, data.weights, apart, before);
  const loose = data.loose.map((one) => found.reduce((w, find) => w * strayFind(data, find), one[1]));
  let ways = [];
  if (data.unlisted) {
    const { apart: known, loose: own } = data.unlisted;
    const then = after(data.unlisted, known);
    const shares = weighed(data.unlisted, known.map(() => data.loose[own][1] / known.length), then, known);
    loose[own] = sum(shares);
    ways = then.map((a, i) => ({ share: loose[own] > 0 ? shares[i] / loose[own] : 0, showing: showing(a) }));
  }
  const carried = sum(weights);
  const total = carried + sum(loose);
  const squares = weights.reduce((a, b) => a + b * b, 0);
  return {
    weights: weights.map((w) => (total > 0 ? w / total : w)),
    loose: loose.map((w) => (total > 0 ? w / total : w)),
    showing: apart.map(showing),
    ways,
    effective: squares > 0 ? carried * carried / squares : 0,
  };
}

function pitChance(data, state, pit) {
  const bottom = pit.ground - pit.depth;
  const shows = holeShows(data, pit, bottom, 0);
  const listed = state.weights.reduce((sum, w, i) => sum + w * state.showing[i] * shows[i], 0);
  if (!data.unlisted) { return listed; }
  const met = holeShows(data.unlisted, pit, bottom, 0);
  return listed + state.loose[data.unlisted.loose] * state.ways.reduce((sum, way, i) => sum + way.share * way.showing * met[i], 0);
}

/* Ground by inverse squared distance, as the program takes it. */
function groundAt(data, x, y) {
  let [sum, total] = [0, 0];
  data.spots.forEach((spot, i) => {
    const weight = 1 / ((x - spot[0]) ** 2 + (y - spot[1]) ** 2 + 1e-6);
    sum += weight * data.elevations[i];
    total += weight;
  });
  return sum / total;
}

/* A length as typed: 8' 9", 8 ft 9 1/2 in, 105 in, 2.67 m, 2670 mm, or a bare number of the site's unit. */
function readLength(text, unit) {
  const plain = text.trim().replace(/[\u2032\u2019]/g, "'").replace(/[\u2033\u201d]/g, '"').replace(",", ".");
  const metric = /^(\d+(?:\.\d+)?)\s*(mm|cm|m)$/.exec(plain);
  if (metric) { return Number(metric[1]) * { mm: 0.001, cm: 0.01, m: 1 }[metric[2]]; }
  if (/^\d+(?:\.\d+)?$/.test(plain)) { return Number(plain) * { ft: 0.3048, in: 0.0254, m: 1, mm: 0.001 }[unit]; }
  const trade = /^(?:(\d+(?:\.\d+)?)\s*(?:'|ft))?\s*(?:(\d+(?:\.\d+)?)?(?:\s*(\d+)\/(\d+))?\s*(?:"|in))?$/.exec(plain);
  if (!trade || plain === "") { return null; }
  return Number(trade[1] || 0) * 0.3048 + (Number(trade[2] || 0) + (trade[3] ? Number(trade[3]) / Number(trade[4]) : 0)) * 0.0254;
}

function findLine(data, find, number) {
  const now = new Date();
  const date = [now.getFullYear(), now.getMonth() + 1, now.getDate()].map((n) => String(n).padStart(2, "0")).join("-");
  const meters = (value) => value.toFixed(3) + "m";
  const cells = { id: "F" + date.replaceAll("-", "") + "-" + number, kind: find.work, found: find.found ? "yes" : "no", date };
  if (find.pit && find.pit.id) { cells.at_pit = find.pit.id; } else {
    cells.longitude = find.longitude.toFixed(8);
    cells.latitude = find.latitude.toFixed(8);
    cells.sd = meters(0.15);
    if (!find.found) { cells.length = meters(find.length); cells.width = meters(find.width); }
  }
  if (!find.found) { cells.dug_to = meters(find.depth); }
  if (find.found && find.invertDown !== null) { cells.depth_to_invert = meters(find.invertDown); }
  return data.columns.map((column) => cells[column] || "").join(",");
}

function addFinds(map, page) {
  const data = page.finds;
  const say = (words, values) => Object.entries(values || {}).reduce((text, [key, value]) => text.replace("{" + key + "}", value), data.say[words]);
  const finds = [];
  const box = document.getElementById("finds");
  const sheet = document.getElementById("find-sheet");
  const field = (name) => sheet.querySelector("[name=" + name + "]");
  let asked = null;
  const ask = (find) => {
    asked = find;
    document.querySelectorAll("dialog[open]").forEach((open) => open.close());
    sheet.querySelector("h2").textContent = (find.found ? say("Found it") : say("Nothing here")) + (find.pit ? ": " + say("Pit {rank}", { rank: find.rank }) : "");
    sheet.querySelectorAll("[data-of]").forEach((line) => {
      line.hidden = line.dataset.of !== (find.found ? "found" : "nothing") || (line.dataset.free === "yes" && Boolean(find.pit));
    });
    field("dug").value = oneUnit(find.pit ? find.pit.depth : 1.8, page.imperial);
    field("length").value = oneUnit(1.2, page.imperial);
    field("width").value = oneUnit(0.9, page.imperial);
    field("invert").value = "";
    sheet.querySelector("[role=alert]").textContent = "";
    sheet.showModal();
  };
  const typed = (name) => {
    const value = readLength(field(name).value, data.unit);
    if (value === null) { sheet.querySelector("[role=alert]").textContent = say("Not a length: {text}", { text: field(name).value }); }
    return value;
  };
  sheet.querySelector("form").addEventListener("submit", (event) => {
    event.preventDefault();
    const find = { ...asked, invert: null, invertDown: null };
    const ground = groundAt(data, find.x, find.y);
    if (find.found) {
      if (field("invert").value.trim() !== "") {
        find.invertDown = typed("invert");
        if (find.invertDown === null) { return; }
        find.invert = ground - find.invertDown;
      }
    } else {
      [find.depth, find.length, find.width] = [typed("dug"), find.pit ? find.pit.length : typed("length"), find.pit ? find.pit.width : typed("width")];
      if ([find.depth, find.length, find.width].includes(null)) { return; }
      find.bottom = ground - find.depth;
    }
    finds.push(find);
    sheet.close();
    show();
    box.scrollIntoView();
  });
  const show = () => {
    box.hidden = finds.length === 0;
    const state = weighFinds(data, finds);
    const owners = page.hypotheses.map(() => 0);
    state.weights.forEach((w, i) => { owners[data.owner[i]] += w; });
    state.loose.forEach((w, i) => { owners[data.loose[i][0]] += w; });
    const order = owners.map((p, i) => i).sort((a, b) => owners[b] - owners[a] || a - b).filter((i) => owners[i] >= 0.005);
    const answer = document.getElementById("finds-answer");
    answer.replaceChildren(...order.slice(0, 4).map((i) => textElement("li", page.hypotheses[i].letter + ": " + page.hypotheses[i].name + ": " + percentWords(owners[i]))));
    answer.dataset.probabilities = JSON.stringify(owners);
    const left = data.pits.map((pit, i) => ({ rank: i + 1, p: pitChance(data, state, pit), cost: pit.cost }))
      .filter((pit) => !finds.some((find) => find.rank === pit.rank)).sort((a, b) => b.p / b.cost - a.p / a.cost || a.rank - b.rank);
    const next = document.getElementById("finds-next");
    next.replaceChildren();
    const few = !(state.effective >= data.fewest);
    const found = finds.some((find) => find.found);
    if (few) { next.append(textElement("p", say("Too few routes are left to go by: send it to the office."))); }
    if (left.length && !found) {
      const button = textElement("button", say("Next: pit {rank}", { rank: left[0].rank }));
      button.type = "button";
      button.className = "open-pit";
      button.addEventListener("click", () => openPit(left[0].rank));
      next.append(button, textElement("span", " " + say("{chance} to find the pipe", { chance: percentWords(left[0].p) })));
      next.dataset.chance = String(left[0].p);
    } else if (!found) { next.append(textElement("p", say("No pit is left: send the lines to the office."))); }
    box.querySelector("textarea").value = [data.columns.join(","), ...finds.map((find, i) => findLine(data, find, i + 1))].join("\n");
    const last = finds.length === 0 ? "" : findLine(data, finds[finds.length - 1], finds.length);
    box.querySelector(".qr").hidden = !drawQr(box.querySelector(".qr svg"), last);
    box.dataset.effective = String(state.effective);
  };
  document.querySelectorAll("[data-find]").forEach((button) => {
    button.addEventListener("click", () => {
      const pit = data.pits[Number(button.dataset.of) - 1];
      const [latitude, longitude] = page.pits[Number(button.dataset.of) - 1];
      ask({ found: button.dataset.find === "yes", work: "test-pit", pit, rank: Number(button.dataset.of), x: pit.x, y: pit.y,
        angle: pit.angle, latitude, longitude });
    });
  });
  box.querySelector(".back").addEventListener("click", () => { finds.pop(); show(); });
  box.querySelector(".copy-lines").addEventListener("click", () => copyText(box.querySelector("textarea"), box.querySelector("[role=status]")));
  const share = box.querySelector(".share");
  share.hidden = !navigator.share;
  share.addEventListener("click", () => navigator.share({ text: box.querySelector("textarea").value }).catch(() => {}));
  sheet.querySelector(".close").addEventListener("click", () => sheet.close());
  let waiting = null;
  const place = (found) => {
    const button = toolButton(say(found ? "Found it" : "Nothing here"), () => {
      waiting = waiting === found ? null : found;
      buttons.forEach(([b, kind]) => pressed(b, waiting === kind));
    });
    pressed(button, false);
    return [button, found];
  };
  const buttons = [place(true), place(false)];
  map.on("click", (event) => {
    if (waiting === null) { return; }
    const [dx, dy] = [event.latlng.lng - page.meters.longitude, event.latlng.lat - page.meters.latitude];
    ask({ found: waiting, work: "test-pit", pit: null, rank: null, angle: data.angle,
      x: page.meters.xx * dx + page.meters.xy * dy, y: page.meters.yx * dx + page.meters.yy * dy,
      latitude: event.latlng.lat, longitude: event.latlng.lng });
    waiting = null;
    buttons.forEach(([b]) => pressed(b, false));
  });
}
