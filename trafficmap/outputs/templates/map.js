"use strict";
(function () {
  const data = JSON.parse(document.getElementById("data").textContent);
  const map = map_field;
  const root = document.documentElement;
  const overlays = {};
  for (const view of data.views) overlays[view.key] = { ...view, image: window[view.layer] };
  const zones = data.zones.length ? geo_json_zones : null;
  const labels = L.layerGroup();
  const stops = L.layerGroup();
  const leaders = L.layerGroup();
  const spot = L.layerGroup().addTo(map);
  const memory = { facts: null, risk: null };
  let group = null;
  let shown = null;
  let asked = null;

  const el = (name, text, className) => {
    const node = document.createElement(name);
    if (text !== undefined && text !== null) node.textContent = text;
    if (className) node.className = className;
    return node;
  };
  const svg = (name, values, text) => {
    const node = document.createElementNS("http://www.w3.org/2000/svg", name);
    for (const key in values) node.setAttribute(key, values[key]);
    if (text !== undefined) node.textContent = text;
    return node;
  };
  const all = (selector) => Array.from(document.querySelectorAll(selector));
  const mass = (tenths) => (tenths * data.mass.factor).toFixed(1) + " " + data.mass.unit;

  // --- day, night and print: only the palette of a picture changes ---
  const theme = (printing) => {
    if (printing) return "print";
    const told = root.dataset.theme;
    if (told) return told === "night" ? "dark" : "light";
    return matchMedia("(prefers-color-scheme: dark)").matches ? "dark" : "light";
  };
  const paint = (printing) => {
    const name = theme(printing);
    for (const key in overlays) {
      const view = overlays[key];
      if (view.painted === name || !map.hasLayer(view.image)) continue;
      const url = view.image._url;
      const letters = data.palettes[view.ramp][name];
      view.image.setUrl(
        url.slice(0, data.paletteAt) + letters + url.slice(data.paletteAt + letters.length)
      );
      view.painted = name;
    }
  };
  const metresAPixel = () => {
    const lat = map.getCenter().lat;
    return (40075016.7 * Math.cos((lat * Math.PI) / 180)) / 256 / 2 ** map.getZoom();
  };
  const sharpen = () => {
    const metres = metresAPixel();
    map.getContainer().classList.toggle("far", metres > data.near.names);
    map.getContainer().classList.toggle("no-twins", metres > data.near.twins);
    for (const key in overlays) {
      const image = overlays[key].image.getElement();
      if (image) image.classList.toggle("fine", metres < data.cell);
    }
  };

  // --- one thing at a time ---
  const show = (wanted, key) => {
    group = wanted;
    for (const name in overlays) map.removeLayer(overlays[name].image);
    for (const layer of [zones, labels, stops, leaders]) if (layer) map.removeLayer(layer);
    if (group === "work") {
      shown = "work";
      zones.addTo(map);
      labels.addTo(map);
      stops.addTo(map);
      leaders.addTo(map);
      sharpen();
      fitLabels();
    } else {
      const first = data.views.find((view) => view.group === group);
      shown = key || memory[group] || (overlays["risk-35"] && group === "risk" ? "risk-35" : first.key);
      memory[group] = shown;
      overlays[shown].image.addTo(map);
      paint(false);
      sharpen();
    }
    map.getContainer().classList.toggle("working", group === "work");
    geo_json_casing.bringToFront();
    geo_json_boundary.bringToFront();
    for (const button of all("[data-group]"))
      button.setAttribute("aria-pressed", String(button.dataset.group === group));
    for (const row of all("[data-for]")) row.hidden = row.dataset.for !== group;
    for (const button of all("[data-view]"))
      button.setAttribute("aria-pressed", String(button.dataset.view === shown));
    for (const table of all("[data-legend]")) table.hidden = table.dataset.legend !== shown;
    document.getElementById("shown").textContent =
      group === "work" ? "Work, zone by zone" : overlays[shown].title;
  };

  // --- names in the zones: level, along the zone, or beside it with a line ---
  const named = [];
  data.zones.forEach((zone, k) => {
    for (const place of zone.names) {
      const text = el("div");
      text.append(el("span", zone.zone, "no"), el("b", zone.label));
      if (zone.other) text.append(el("span", zone.other, "other"));
      const label = L.tooltip({
        permanent: true, direction: "center", className: "label " + zone.style,
        interactive: false, opacity: 1,
      }).setLatLng(place.at).setContent(text);
      labels.addLayer(label);
      named.push({ label, text, k, place, rank: zone.rank, style: zone.style });
    }
  });
  const area = (k) => Number(data.zones[k].area_number.replace(/,/g, ""));
  // The letter of a keep-out has one place only, so it comes before names that can move.
  const letter = (one) => Number(one.style === "keep-out");
  named.sort((a, b) => a.rank - b.rank || letter(b) - letter(a) || area(b.k) - area(a.k));
  const shapes = {};
  if (zones)
    zones.eachLayer((layer) => {
      const k = layer.feature.properties.i;
      shapes[k] = layer;
      layer.on("click", (event) => {
        L.DomEvent.stopPropagation(event);
        whyZone(k);
      });
    });

  const ringsOf = (rings) => (Array.isArray(rings[0]) ? rings.flatMap(ringsOf) : [rings]);
  const toPixels = (ring) => ring.map((at) => map.latLngToLayerPoint(at));
  const isInside = (rings, x, y) => {
    let inside = false;
    for (const ring of rings)
      for (let i = 0, j = ring.length - 1; i < ring.length; j = i++) {
        const a = ring[i];
        const b = ring[j];
        if (a.y > y !== b.y > y && x < ((b.x - a.x) * (y - a.y)) / (b.y - a.y) + a.x)
          inside = !inside;
      }
    return inside;
  };
  // Where the place of a name has gone out of sight, the middle of what is left.
  const anchorOf = (place, rings, view) => {
    const at = map.latLngToLayerPoint(place.at);
    if (view.contains(at)) return at;
    let best = null;
    for (const ring of rings) {
      const seen = L.PolyUtil.clipPolygon(ring, view);
      if (!seen || seen.length < 3) continue;
      const box = L.bounds(seen);
      const middle = box.getCenter();
      let size = 0;
      seen.forEach((a, i) => {
        const b = seen[(i + 1) % seen.length];
        size += (a.x * b.y - b.x * a.y) / 2;
      });
      size = Math.abs(size);
      if (!isInside([seen], middle.x, middle.y)) size /= 4;
      if (!best || size > best.size) best = { at: middle, size };
    }
    return best ? best.at : null;
  };
  const corners = (at, width, height, turn) => {
    const cos = Math.cos((turn * Math.PI) / 180);
    const sin = Math.sin((turn * Math.PI) / 180);
    const out = [];
    for (const [u, v] of [[-1, -1], [0, -1], [1, -1], [1, 0], [1, 1], [0, 1], [-1, 1], [-1, 0]]) {
      const x = (u * width) / 2;
      const y = (v * height) / 2;
      out.push(L.point(at.x + x * cos - y * sin, at.y + x * sin + y * cos));
    }
    return out;
  };
  const meets = (a, b) => a.min.x < b.max.x && b.min.x < a.max.x && a.min.y < b.max.y && b.min.y < a.max.y;
  const SMALL = "plain small-label";
  // From the best to the least: size of a name, and whether it runs along the zone.
  const MANNERS = [["", 0], ["plain", 0], ["", 1], ["plain", 1], [SMALL, 0], [SMALL, 1]];
  // Where no name fits, the number alone leads to the table.
  const BARE = [["bare", 0]];
  const fitLabels = () => {
    leaders.clearLayers();
    const taken = [];
    const dots = map.getContainer().classList.contains("no-twins")
      ? data.stops.filter(([name]) => name) : data.stops;
    const marks = dots.map(([, lat, lon]) => {
      const at = map.latLngToLayerPoint([lat, lon]);
      return L.bounds(at.subtract([7, 7]), at.add([7, 7]));
    });
    const size = map.getSize();
    const view = L.bounds(
      map.containerPointToLayerPoint([12, 48]),
      map.containerPointToLayerPoint(size.subtract([12, 48]))
    );
    const sight = L.bounds(
      map.containerPointToLayerPoint([0, 0]), map.containerPointToLayerPoint(size)
    );
    const worked = [];
    data.zones.forEach((zone, k) => {
      if (zone.rank > 2) return;
      const ground = shapes[k].getBounds();
      worked.push(L.bounds(
        map.latLngToLayerPoint(ground.getNorthWest()), map.latLngToLayerPoint(ground.getSouthEast())
      ));
    });
    for (const one of named) {
      const node = one.label.getElement();
      if (!node) continue;
      const outline = one.place.ring
        ? [one.place.ring] : ringsOf(shapes[one.k].getLatLngs());
      const rings = outline.map(toPixels);
      const anchor = anchorOf(one.place, rings, view);
      const put = anchor && (inZone(one, node, rings, anchor, taken, marks, sight, MANNERS) ||
        onZone(one, node, anchor, taken) ||
        (one.style === "leave" && inZone(one, node, rings, anchor, taken, marks, sight, BARE)) || (one.rank < 2 && beside(one, node, anchor, taken, marks, worked, view)) ||
        inZone(one, node, rings, anchor, taken, marks, sight, BARE) ||
        (one.rank === 2 && beside(one, node, anchor, taken, marks, worked, view, "bare")));
      node.style.visibility = put ? "visible" : "hidden";
      if (!put) continue;
      one.text.style.transform = put.turn ? "rotate(" + put.turn + "deg)" : "";
      one.label.setLatLng(map.layerPointToLatLng(put.at));
      taken.push(put.box);
      if (put.from) drawLeader(put.from, put.box);
    }
  };
  const dress = (node, name) => {
    node.classList.remove("plain", "small-label", "bare");
    for (const part of name.split(" ")) if (part) node.classList.add(part);
    const air = name === "bare" ? 0 : 1;
    return [node.offsetWidth + 6 * air, node.offsetHeight + 4 * air];
  };
  const inZone = (one, node, rings, anchor, taken, marks, sight, manners) => {
    const turn = one.place.turn;
    const axis = [Math.cos((turn * Math.PI) / 180), Math.sin((turn * Math.PI) / 180)];
    for (const [shifts, avoided] of [[[0, 30, -30, 60, -60, 110, -110], [...taken, ...marks]], [[0], taken]])
      for (const [name, along] of manners) {
        if (along && !turn) continue;
        const [width, height] = dress(node, name);
        for (const shift of shifts) {
          const at = L.point(anchor.x + shift * axis[0], anchor.y + shift * axis[1]);
          const edge = corners(at, width, height, along * turn);
          const box = L.bounds(edge);
          const fits = sight.contains(box) && edge.every((p) => isInside(rings, p.x, p.y));
          if (fits && !avoided.some((b) => meets(b, box))) return { at, box, turn: along * turn };
        }
      }
    return null;
  };
  // The letter of a narrow keep-out stands on its line, as on a printed map.
  const onZone = (one, node, anchor, taken) => {
    if (one.style !== "keep-out") return null;
    const [width, height] = dress(node, SMALL);
    const box = L.bounds(corners(anchor, width, height, 0));
    return taken.some((b) => meets(b, box)) ? null : { at: anchor, box };
  };
  const beside = (one, node, anchor, taken, marks, worked, view, manner = SMALL) => {
    const [width, height] = dress(node, manner);
    let last = null;
    const tries = [
      [140, [...taken, ...marks, ...worked]], [140, [...taken, ...marks]],
      [420, [...taken, ...marks, ...worked]], [420, taken],
    ].slice(0, manner === SMALL ? 4 : 2);
    for (const [reach, avoided] of tries)
      for (let far = 28; far < reach; far += 14)
        for (let step = 0; step < 24; step++) {
          const angle = (step * Math.PI) / 12;
          const at = L.point(
            anchor.x + (far + width / 2) * Math.cos(angle), anchor.y + (far + height / 2) * Math.sin(angle)
          );
          const box = L.bounds(corners(at, width, height, 0));
          if (!view.contains(box)) continue;
          last = last || { at, box, from: anchor };
          if (!avoided.some((b) => meets(b, box))) return { at, box, from: anchor };
        }
    // A depth is never left out, even where it lies over something else.
    return one.rank === 0 ? last || { at: anchor, box: L.bounds(corners(anchor, width, height, 0)) } : null;
  };
  const drawLeader = (from, box) => {
    const to = L.point(
      Math.min(Math.max(from.x, box.min.x), box.max.x), Math.min(Math.max(from.y, box.min.y), box.max.y)
    );
    const ends = [from, to].map((p) => map.layerPointToLatLng(p));
    for (const className of ["leader casing-line", "leader"])
      leaders.addLayer(L.polyline(ends, { className, interactive: false }));
    leaders.addLayer(L.circleMarker(ends[0], { className: "leader-end", radius: 3, interactive: false }));
  };
  for (const [name, lat, lon] of data.stops) {
    const icon = L.divIcon({ className: "stop" + (name ? "" : " twin"), iconSize: null, html: el("span", name) });
    stops.addLayer(L.marker([lat, lon], { icon, interactive: false, keyboard: false }));
  }

  // --- why here? ---
  const card = document.getElementById("why");
  const body = document.getElementById("why-body");
  const open = (parts, from) => {
    asked = from || null;
    body.replaceChildren(...parts);
    card.hidden = false;
    card.scrollTop = 0;
    card.focus({ preventScroll: true });
  };
  const close = () => {
    if (card.hidden) return;
    card.hidden = true;
    spot.clearLayers();
    for (const k in shapes) mark(k, false);
    if (asked) asked.focus();
    else map.getContainer().focus({ preventScroll: true });
  };
  const mark = (k, on) => {
    const path = shapes[k] && shapes[k].getElement();
    if (path) path.classList.toggle("chosen", on);
  };
  const table = (rows) => {
    const node = el("table");
    for (const [name, value] of rows) {
      const row = node.insertRow();
      const head = el("th", name);
      head.scope = "row";
      row.append(head, el("td", value));
    }
    return node;
  };
  const whyZone = (k, from) => {
    const zone = data.zones[k];
    spot.clearLayers();
    for (const other in shapes) mark(other, Number(other) === k);
    const parts = [];
    if (zone.depth) parts.push(el("p", zone.depth, "big"));
    parts.push(el("p", sentenceCase(zone.advice) + (zone.other ? " (" + zone.other + ")" : ""), "what"));
    parts.push(el("p", ["Zone " + zone.zone, zone.kind, zone.area].filter(Boolean).join(", "), "small"));
    parts.push(el("p", zone.reason));
    if (zone.driven) parts.push(el("p", "Driven: " + zone.driven));
    if (zone.further) parts.push(el("p", "Also: " + zone.further, "small"));
    parts.push(table(zone.rows));
    open(parts, from);
  };
  const sentenceCase = (text) => text.charAt(0).toUpperCase() + text.slice(1);

  const cells = data.cells;
  const places = new Map(cells.place.map((place, k) => [place, k]));
  const whyCell = (latlng) => {
    const row = Math.floor((latlng.lat - cells.south) / cells.height);
    const col = Math.floor((latlng.lng - cells.west) / cells.width);
    if (row < 0 || col < 0 || row >= cells.rows || col >= cells.cols) return close();
    const k = places.get(row * cells.cols + col);
    if (k === undefined) return close();
    const south = cells.south + row * cells.height;
    const west = cells.west + col * cells.width;
    spot.clearLayers();
    spot.addLayer(L.rectangle(
      [[south, west], [south + cells.height, west + cells.width]],
      { className: "spot", interactive: false }
    ));
    const side = cells.side * data.length.factor;
    const parts = [el("p", "Worst in this square of " + side.toFixed(0) + " " + data.length.unit, "small")];
    if (cells.risk) {
      const here = overlays[shown] && shown.startsWith("risk-")
        ? data.views.filter((view) => view.key.startsWith("risk-")).findIndex((view) => view.key === shown)
        : -1;
      const digits = cells.risk[k];
      const deep = here < 0 ? 2 : here;
      parts.unshift(el("p", sentenceCase(data.words[Number(digits[deep])] || "not known") +
        " at " + data.depths[deep], "what"));
      parts.push(chart(digits, cells.chance[k]));
    }
    const rows = [];
    if (cells.passes) rows.push(["Passes over one spot", String(cells.passes[k])]);
    if (cells.axle) rows.push(["Heaviest axle", cells.axle[k] ? mass(cells.axle[k]) : "none"]);
    if (rows.length) parts.push(table(rows));
    const visits = cells.visits[k];
    if (visits.length) {
      parts.push(el("h3", visits.length >= data.told
        ? "The heaviest passes here, in order of time" : "Passes here, in order of time"));
      const list = el("ol");
      for (const [pass, axle, water] of visits) {
        const [machine, state, start] = data.passes[pass];
        const item = el("li", start);
        const what = [data.machines[machine] || "machine not named", state, "axle " + mass(axle)];
        if (water >= 0) what.push("soil water " + water + " % at " + data.depths[1]);
        item.append(el("br"), el("span", what.join(", "), "small"));
        list.append(item);
      }
      parts.push(list);
    } else parts.push(el("p", "Not run over in the logs."));
    open(parts, null);
  };
  const chart = (digits, chance) => {
    const node = svg("svg", { class: "chart", viewBox: "0 0 380 132", role: "img" });
    const told = [];
    data.depths.forEach((depth, k) => {
      const y = 4 + k * 32;
      const klass = Number(digits[k]);
      const word = data.words[klass] || "not known";
      told.push(depth + ": " + word);
      node.append(svg("text", { x: 0, y: y + 18 }, depth));
      node.append(svg("rect", { class: "fill none", x: 64, y, width: 190, height: 24 }));
      const width = klass === 5 ? 190 : Math.max(2, (190 * chance[k]) / 100);
      const ink = klass === 5 ? "not-assessed" : "risk-" + klass;
      if (klass > 0) node.append(svg("rect", { class: "fill bar " + ink, x: 64, y, width, height: 24 }));
      node.append(svg("text", { x: 264, y: y + 18 }, word));
    });
    node.setAttribute("aria-label", "Chance of damage by depth. " + told.join(". "));
    return node;
  };

  // --- hands on ---
  for (const button of all("[data-group]")) button.addEventListener("click", () => show(button.dataset.group));
  for (const button of all("[data-view]"))
    button.addEventListener("click", () => show(group, button.dataset.view));
  for (const button of all("[data-zone]"))
    button.addEventListener("click", () => {
      const k = Number(button.dataset.zone);
      show("work");
      const beside = innerWidth > 900 ? 470 : 40;
      map.fitBounds(shapes[k].getBounds(), {
        paddingTopLeft: [60, 60], paddingBottomRight: [beside, 60], maxZoom: 18, animate: false,
      });
      whyZone(k, button);
    });
  document.getElementById("why-close").addEventListener("click", close);
  document.addEventListener("keydown", (event) => {
    if (event.key === "Escape") close();
  });
  map.on("click", (event) => {
    if (group === "work") close();
    else whyCell(event.latlng);
  });
  map.getContainer().addEventListener("keydown", (event) => {
    if (event.key === "Enter" && event.target === map.getContainer() && group !== "work")
      whyCell(map.getCenter());
  });
  map.on("zoomend", sharpen);
  map.on("moveend", () => { if (group === "work") fitLabels(); });
  const night = document.getElementById("theme");
  const nameNight = () => { night.textContent = theme(false) === "dark" ? "Day" : "Night"; };
  night.addEventListener("click", () => {
    root.dataset.theme = theme(false) === "dark" ? "day" : "night";
    nameNight();
    paint(false);
  });
  matchMedia("(prefers-color-scheme: dark)").addEventListener("change", () => { nameNight(); paint(false); });

  // --- print: the map is fitted to the sheet, and put back after ---
  const fit = () => map.fitBounds(data.bounds, { padding: [24, 24], animate: false });
  let before = null;
  addEventListener("beforeprint", () => {
    before = { centre: map.getCenter(), zoom: map.getZoom() };
    root.classList.add("printing");
    map.invalidateSize({ animate: false });
    fit();
    paint(true);
    sharpen();
    if (group === "work") fitLabels();
  });
  addEventListener("afterprint", () => {
    root.classList.remove("printing");
    map.invalidateSize({ animate: false });
    if (before) map.setView(before.centre, before.zoom, { animate: false });
    paint(false);
  });

  fit();
  nameNight();
  if (zones && data.first === "work") show("work");
  else if (data.views.length) show(data.views[0].group);
  else if (zones) show("work");
})();
