// Asking the service. Paths are of this origin; there is no other address.

export class ServiceError extends Error {
  constructor(status, message) {
    super(message);
    this.status = status;
  }
}

let onRefused = () => {};
// Is called when the service wants a token (401).
export function whenTokenIsWanted(act) {
  onRefused = act;
}

async function ask(path, options) {
  let response;
  try {
    response = await fetch(path, { credentials: "same-origin", cache: "no-store", ...options });
  } catch {
    throw new ServiceError(0, "the service does not answer");
  }
  if (response.status === 204) return null;
  const text = await response.text();
  let body = null;
  try {
    body = text === "" ? null : JSON.parse(text);
  } catch {
    throw new ServiceError(response.status, "the service gave an answer that cannot be read");
  }
  if (response.ok) return body;
  if (response.status === 401 && path !== "/v1/session") onRefused();
  throw new ServiceError(response.status, body?.error?.message ?? `status ${response.status}`);
}

export function get(path) {
  return ask(path, {});
}

export function post(path, body) {
  const options = { method: "POST" };
  if (body !== undefined) {
    options.headers = { "Content-Type": "application/json" };
    options.body = JSON.stringify(body);
  }
  return ask(path, options);
}

// The points of a run from the store, about `most` of them.
export async function pointsOf(run, planned, most = 4000) {
  const every = Math.max(1, Math.ceil((planned || 0) / most));
  const points = [];
  let from = 0;
  while (from !== undefined && points.length < most + 2000) {
    const part = await get(`/v1/runs/${encodeURIComponent(run)}/points?from=${from}&every=${every}`);
    points.push(...part.points);
    from = part.next;
  }
  return points;
}
