// @ts-check
/**
 * The map of a plan. Works without any network: land outlines come along, sites and lines are drawn over
 * them. Where the installation names a tile server its tiles lie on top of the outlines. Lines are told
 * apart by dash as well as by shade, and stops carry their number.
 */

const DASHES = ["", "10 5", "2 6", "14 4 2 4", "6 6", "18 6"];

/** Colours of the page's own tokens, in the order of the dashes. @param {CSSStyleDeclaration} look */
const coloursOf = (look) =>
  ["--accent", "--away-ink", "--unknown-ink", "--soon-ink", "--ok-ink", "--ink-soft"].map((name) => look.getPropertyValue(name).trim());

/** All points of a route with its ends, as far as they are known. @param {any} route */
export const lineOf = (route) =>
  [route.start, ...route.points, route.end].filter((point) => point && point.at).map((point) => point.at);

const box = /** @type {HTMLElement | null} */ (document.querySelector("[data-map]"));
if (box) draw(box);

/** @param {HTMLElement} box */
async function draw(box) {
  const { L, topojson } = /** @type {any} */ (window);
  const said = document.querySelector("[data-map-said]");
  const points = JSON.parse(document.getElementById("map-points")?.textContent ?? "{}");
  const look = getComputedStyle(document.documentElement);
  const colours = coloursOf(look);
  const map = L.map(box, { preferCanvas: true, attributionControl: true, worldCopyJump: true });
  map.attributionControl.setPrefix(false);
  const lines = points.routes.map(lineOf);
  const all = [...lines.flat(), ...points.out.map((/** @type {any} */ spot) => spot.at)];
  if (all.length) map.fitBounds(all, { padding: [36, 36], maxZoom: 14 });
  else map.setView([20, 0], 2);
  L.control.scale().addTo(map);
  try {
    const topo = await (await fetch(box.dataset.land ?? "")).json();
    L.geoJSON(topojson.feature(topo, topo.objects.land), {
      interactive: false,
      attribution: "Coasts: Natural Earth",
      style: { fillColor: look.getPropertyValue("--surface").trim(), fillOpacity: 1, color: look.getPropertyValue("--line-strong").trim(), weight: 1 },
    }).addTo(map);
  } catch {
    if (said) said.textContent = "The outline of the land could not be loaded; sites and lines are shown without it.";
  }
  net(L, map, look);
  if (box.dataset.tileUrl) {
    const tiles = L.tileLayer(box.dataset.tileUrl, { attribution: box.dataset.tileAttribution, maxZoom: Number(box.dataset.tileMaxZoom) });
    tiles.once("tileerror", () => { if (said) said.textContent = "The tile server does not answer; the shipped outline is shown instead."; });
    tiles.addTo(map);
  }
  points.routes.forEach((/** @type {any} */ route, /** @type {number} */ index) => {
    const colour = colours[route.style % colours.length];
    L.polyline(lines[index], { color: colour, weight: 3, dashArray: DASHES[route.style % DASHES.length] || undefined, interactive: false }).addTo(map);
    for (const base of [route.start, route.end]) if (base?.at) pin(L, map, base.at, "", "spot spot-base", base.name, "");
    route.points.forEach((/** @type {any} */ spot, /** @type {number} */ at) => {
      if (spot.at) pin(L, map, spot.at, String(at + 1), "spot", `${at + 1}. ${spot.name}, ${route.name} ${route.on}`, colour);
    });
  });
  for (const spot of points.out) pin(L, map, spot.at, "–", "spot spot-out", `${spot.name}, left out`, "");
  document.documentElement.dataset.map = "ready";
}

/** @param {any} L @param {any} map @param {number[]} at @param {string} text @param {string} kind @param {string} name @param {string} colour */
function pin(L, map, at, text, kind, name, colour) {
  const marker = L.marker(at, { icon: L.divIcon({ className: "", html: `<span class="${kind}">${text}</span>`, iconSize: [26, 26] }), alt: name, title: name, keyboard: false });
  marker.addTo(map).bindTooltip(document.createTextNode(name));
  const drawn = marker.getElement()?.querySelector(".spot");
  if (drawn && colour) drawn.style.backgroundColor = colour;
}

/** A net of degrees, so that an empty plain has a scale to hold on to. @param {any} L @param {any} map @param {CSSStyleDeclaration} look */
function net(L, map, look) {
  const layer = L.layerGroup().addTo(map);
  const redraw = () => {
    layer.clearLayers();
    const bounds = map.getBounds().pad(0.2);
    const span = Math.max(bounds.getEast() - bounds.getWest(), 0.001);
    const step = [30, 10, 5, 1, 0.5, 0.1, 0.05, 0.01].find((size) => span / size > 4) ?? 0.01;
    const style = { color: look.getPropertyValue("--line").trim(), weight: 1, interactive: false };
    const from = (/** @type {number} */ low) => Math.floor(low / step) * step;
    for (let lon = from(bounds.getWest()); lon <= bounds.getEast(); lon += step) L.polyline([[bounds.getSouth(), lon], [bounds.getNorth(), lon]], style).addTo(layer);
    for (let lat = from(bounds.getSouth()); lat <= bounds.getNorth(); lat += step) L.polyline([[lat, bounds.getWest()], [lat, bounds.getEast()]], style).addTo(layer);
  };
  map.on("moveend", redraw);
  redraw();
}
