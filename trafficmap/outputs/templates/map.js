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
    for (const layer of [zones, labels, stops]) if (layer) map.removeLayer(layer);
    if (group === "work") {
      shown = "work";
      zones.addTo(map);
      labels.addTo(map);
      stops.addTo(map);
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

  // --- names in the zones, dropped where they do not fit ---
  const named = [];
  data.zones.forEach((zone, k) => {
    const text = el("div");
    text.append(el("b", zone.label));
    if (zone.other) text.append(zone.other);
    const label = L.tooltip({
      permanent: true, direction: "center", className: "label " + zone.style,
      interactive: false, opacity: 1,
    }).setLatLng(zone.at).setContent(text);
    labels.addLayer(label);
    named.push({ label, k });
  });
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
  const fitLabels = () => {
    const taken = [];
    const scale = metresAPixel();
    for (const { label, k } of [...named].sort((a, b) => area(b.k) - area(a.k))) {
      const node = label.getElement();
      if (!node) continue;
      const room = data.zones[k].room.map((side) => side / scale);
      let fits = false;
      for (const small of [false, true]) {
        node.classList.toggle("small-label", small);
        const width = node.offsetWidth;
        const height = node.offsetHeight;
        const place = map.latLngToLayerPoint(label.getLatLng());
        const box = [place.x - width / 2, place.y - height / 2, place.x + width / 2, place.y + height / 2];
        fits = width < room[0] && height < room[1] &&
          !taken.some((b) => box[0] < b[2] && b[0] < box[2] && box[1] < b[3] && b[1] < box[3]);
        if (fits) {
          taken.push(box);
          break;
        }
      }
      label.update();
      node.style.visibility = fits ? "visible" : "hidden";
    }
  };
  const area = (k) => Number(data.zones[k].area_number.replace(/,/g, ""));
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
    parts.push(el("p", "Zone " + zone.zone + ", " + zone.kind + ", " + zone.area, "small"));
    parts.push(el("p", zone.reason));
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
    if (cells.passes) rows.push(["Passes, most", String(cells.passes[k])]);
    if (cells.axle) rows.push(["Heaviest axle", cells.axle[k] ? mass(cells.axle[k]) : "none"]);
    if (rows.length) parts.push(table(rows));
    const visits = cells.visits[k];
    if (visits.length) {
      parts.push(el("h3", cells.passes && cells.passes[k] > visits.length
        ? "The heaviest passes, in order of time" : "Passes, in order of time"));
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
  map.on("zoomend", () => { sharpen(); if (group === "work") fitLabels(); });
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
