{% autoescape off %}// Keeps the technician's app on the phone. Made anew by the server for every version of its files.
const PLAN = {{ plan_json }};
{% endautoescape %}
const APP = `field-app-${PLAN.version}`;
const SCANNER = "field-scanner";
const pathOf = (address) => new URL(address, location.origin).pathname;
const FILES = new Set(PLAN.files.map(pathOf));
const SCANNER_FILES = new Set(PLAN.scanner.map(pathOf));

// All or nothing: a redirect to the sign-in page, or a missing file, leaves the old version in place.
const fetchWhole = async (address) => {
  const answer = await fetch(address, { cache: PLAN.fetchMode, credentials: "same-origin" });
  if (!answer.ok || answer.redirected) throw new Error(`${address} answered ${answer.status}`);
  return answer;
};

const storeApp = async () => {
  const cache = await caches.open(APP);
  const wanted = [PLAN.page, ...PLAN.files];
  const answers = await Promise.all(wanted.map(fetchWhole));
  await Promise.all(wanted.map((address, i) => cache.put(pathOf(address), answers[i])));
};

const storeScanner = async () => {
  const cache = await caches.open(SCANNER);
  for (const address of PLAN.scanner) {
    if (!(await cache.match(pathOf(address)))) await cache.put(pathOf(address), await fetchWhole(address));
  }
  for (const request of await cache.keys()) {
    if (!SCANNER_FILES.has(pathOf(request.url))) await cache.delete(request);
  }
};

const forgetOldVersions = async () => {
  for (const name of await caches.keys()) {
    if (name.startsWith("field-app-") && name !== APP) await caches.delete(name);
  }
};

const answer = async (cacheName, path, request) => (await (await caches.open(cacheName)).match(path)) ?? fetch(request);

self.addEventListener("install", (event) => event.waitUntil(storeApp()));
self.addEventListener("activate", (event) =>
  event.waitUntil(forgetOldVersions().then(() => self.clients.claim())),
);
self.addEventListener("fetch", (event) => {
  const { request } = event;
  if (request.method !== "GET" || new URL(request.url).origin !== location.origin) return;
  const path = pathOf(request.url);
  if (request.mode === "navigate") {
    if (path === PLAN.page) event.respondWith(answer(APP, PLAN.page, request));
  } else if (FILES.has(path)) event.respondWith(answer(APP, path, request));
  else if (SCANNER_FILES.has(path)) event.respondWith(answer(SCANNER, path, request));
});
self.addEventListener("message", (event) => {
  if (event.data === "take over") self.skipWaiting();
  if (event.data === "store scanner") {
    event.waitUntil(
      storeScanner().then(
        () => event.ports[0]?.postMessage("stored"),
        (error) => event.ports[0]?.postMessage(`refused: ${error.message}`),
      ),
    );
  }
});
