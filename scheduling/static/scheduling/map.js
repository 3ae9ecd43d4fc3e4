// Farms, bases and rounds on the roads of the extract. No tile server is asked unless the settings name one.

const colour = (element, name) => getComputedStyle(element).getPropertyValue(name).trim();

async function fetched(address) {
  const answer = await fetch(address, { headers: { Accept: "application/geo+json, application/json" } });
  if (!answer.ok) throw new Error(`${answer.status} ${address}`);
  return answer.json();
}

function popupOf(properties) {
  const box = document.createElement("div");
  const name = document.createElement(properties.url ? "a" : "strong");
  name.textContent = properties.name;
  if (properties.url) name.href = properties.url;
  box.append(name);
  for (const line of (properties.note ?? "").split("; ").filter(Boolean)) {
    const row = document.createElement("div");
    row.textContent = line;
    box.append(row);
  }
  return box;
}

function drawBackground(map, element, roads) {
  const weights = { "-1": 5, 0: 3.5, 1: 2.5, 2: 1.5, 3: 1 };
  const river = colour(element, "--river");
  const road = colour(element, "--road");
  return L.geoJSON(roads, {
    renderer: L.canvas({ padding: 0.3 }),
    interactive: false,
    style: ({ properties: { rank } }) => ({ color: rank < 0 ? river : road, weight: weights[rank] ?? 1.5, opacity: 1 }),
  }).addTo(map);
}

function drawPlaces(map, element, places) {
  const ink = colour(element, "--ink");
  const surface = colour(element, "--surface");
  const accent = colour(element, "--accent");
  const straw = colour(element, "--straw");
  const fills = { base: straw, stop: accent, farm: surface, gate: straw, road: surface };
  const many = places.features.filter(({ geometry }) => geometry.type === "Point").length > 16;
  return L.geoJSON(places, {
    style: ({ geometry, properties: { day, by_road: byRoad } }) =>
      geometry.type === "Point"
        ? {}
        : { color: colour(element, `--day-${day ?? 0}`), weight: 4, opacity: 0.85, dashArray: byRoad === false ? "6 8" : null },
    pointToLayer: ({ properties: { kind, name } }, place) => {
      const mark = L.circleMarker(place, {
        radius: kind === "base" ? 10 : kind === "farm" ? 5 : 8,
        color: ink,
        weight: 2,
        fillColor: fills[kind] ?? accent,
        fillOpacity: 1,
      });
      const permanent = kind === "base" || kind === "gate" || (!many && kind !== "road");
      return mark.bindTooltip(name, { permanent, direction: "right", offset: [8, 0], className: permanent ? "map-label" : "" });
    },
    onEachFeature: ({ properties, geometry }, layer) => {
      layer.bindPopup(popupOf(properties));
      if (geometry.type === "LineString") layer.bindTooltip(properties.name, { sticky: true });
    },
  }).addTo(map);
}

// A click on the map fills in the two number fields that begin with data-pick.
function letPick(map, element, prefix) {
  const latitude = document.getElementById(`${prefix}latitude`);
  const longitude = document.getElementById(`${prefix}longitude`);
  if (!latitude || !longitude) return;
  let mark = null;
  const show = () => {
    if (latitude.value === "" || longitude.value === "") return;
    const place = [Number(latitude.value), Number(longitude.value)];
    mark ??= L.circleMarker(place, { radius: 9, color: colour(element, "--bad"), weight: 4, fillOpacity: 0 }).addTo(map);
    mark.setLatLng(place);
  };
  map.on("click", ({ latlng }) => {
    latitude.value = latlng.lat.toFixed(6);
    longitude.value = latlng.lng.toFixed(6);
    show();
  });
  for (const field of [latitude, longitude]) field.addEventListener("change", show);
  show();
}

async function draw(element) {
  const { roads, places, pick, tiles, credit, roadCredit } = element.dataset;
  const marks = await fetched(places);
  element.textContent = "";
  const map = L.map(element, { zoomSnap: 0.25, zoomDelta: 0.5, maxZoom: 18, zoomAnimation: false, fadeAnimation: false });
  map.attributionControl.setPrefix(false);
  if (tiles) L.tileLayer(tiles, { attribution: credit, maxZoom: 19 }).addTo(map);
  map.setView([0, 0], 2);
  const drawn = drawPlaces(map, element, marks);
  const bounds = drawn.getBounds();
  if (bounds.isValid()) map.fitBounds(bounds, { padding: [24, 24], maxZoom: pick ? 15 : 16 });
  if (pick) letPick(map, element, pick);
  addEventListener("beforeprint", () => {
    map.invalidateSize(false);
    if (bounds.isValid()) map.fitBounds(bounds, { padding: [24, 24], animate: false });
  });
  if (!tiles) {
    const lines = await fetched(roads);
    if (lines.features.length) {
      const background = drawBackground(map, element, lines);
      background.bringToBack();
      map.attributionControl.addAttribution(roadCredit);
      if (!bounds.isValid()) map.fitBounds(background.getBounds());
    }
  }
  element.dataset.drawn = "yes";
}

for (const element of document.querySelectorAll("[data-map]")) {
  draw(element).catch(() => {
    const sorry = document.createElement("p");
    sorry.className = "quiet small map-waiting";
    sorry.textContent = element.dataset.empty;
    element.replaceChildren(sorry);
  });
}
