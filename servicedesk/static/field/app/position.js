// @ts-check
/** Where the phone is while labels are scanned, if the person lets it tell. Never waited for. */

const FRESH_MS = 10 * 60_000;
/** @type {{latitude_deg: number, longitude_deg: number, accuracy_m: number, at: number} | null} */
let last = null;
let isWatching = false;

/** Asks the browser once; without leave there is simply no position. */
export const watchPosition = () => {
  if (isWatching || !navigator.geolocation) return;
  isWatching = true;
  navigator.geolocation.watchPosition(
    ({ coords }) => {
      last = {
        latitude_deg: coords.latitude,
        longitude_deg: coords.longitude,
        accuracy_m: Math.round(coords.accuracy),
        at: Date.now(),
      };
    },
    () => undefined,
    { maximumAge: 120_000, timeout: 20_000 },
  );
};

/** The last position, as a scan carries it; nothing when it is old or not told. */
export const position = () => {
  if (!last || Date.now() - last.at > FRESH_MS) return {};
  const { latitude_deg, longitude_deg, accuracy_m } = last;
  return { latitude_deg, longitude_deg, accuracy_m };
};
