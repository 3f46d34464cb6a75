// Requests to this server. Every error is an ApiError with one plain sentence.

export class ApiError extends Error {
  // message: one sentence; status: HTTP status, 0: no answer; path: where in the site file, or null;
  // row, field: of a table, or null; body: the whole answer
  constructor(message, status, body = {}) {
    super(message);
    this.status = status;
    this.body = body;
    this.path = body.path ?? null;
    this.row = body.row ?? null;
    this.field = body.field ?? null;
  }
}

// method: GET, POST, PUT, PATCH, DELETE. body: values to be sent as JSON, or a Blob or ArrayBuffer sent as it is.
// Gives the answer's values; raises ApiError, or AbortError where signal stopped it.
export async function send(method, address, body, { signal, headers = {} } = {}) {
  const isRaw = body instanceof Blob || body instanceof ArrayBuffer;
  const options = { method, signal, headers: { ...headers } };
  if (method !== "GET") options.headers["X-Skysill"] = "1";
  if (body !== undefined) {
    options.body = isRaw ? body : JSON.stringify(body);
    options.headers["Content-Type"] = isRaw ? "application/octet-stream" : "application/json";
  }
  let answer;
  try {
    answer = await fetch(address, options);
  } catch (fault) {
    if (fault.name === "AbortError") throw fault;
    throw new ApiError("The server does not answer. Is it still running? What you typed is kept in this browser.", 0);
  }
  if (answer.status === 401 && location.pathname !== "/enter") location.href = "/enter";
  const isJson = (answer.headers.get("content-type") ?? "").startsWith("application/json");
  const values = isJson ? await answer.json() : { error: await answer.text() };
  if (!answer.ok) throw new ApiError(values.error ?? `The server answered ${answer.status}.`, answer.status, values);
  return values;
}

export const get = (address, options) => send("GET", address, undefined, options);
export const post = (address, body, options) => send("POST", address, body, options);

export const siteAddress = (name, rest = "") => `/api/sites/${encodeURIComponent(name)}${rest}`;

// Only the newest question matters: while one is under way the next waits, and those in between are dropped. A question
// with `moving` is answered to the end, so that what follows a slider is seen; any other is stopped by the next one.
// ask(question, signal): a promise of an answer; use(answer, question); failed(error, question).
export function newestOnly(ask, use, failed) {
  let running = null;
  let waiting;
  async function run() {
    while (waiting !== undefined) {
      const question = waiting;
      waiting = undefined;
      running = { question, stop: new AbortController() };
      try {
        const answer = await ask(question, running.stop.signal);
        use(answer, question);
      } catch (fault) {
        if (fault.name !== "AbortError" && waiting === undefined) failed(fault, question);
      }
    }
    running = null;
  }
  return (question) => {
    waiting = question;
    if (running === null) run();
    else if (!running.question.moving) running.stop.abort();
  };
}

// Starts a task and follows it. progress(done, of, key); gives its result; raises ApiError; null where it was cancelled.
export async function follow(body, progress = () => {}, started = () => {}) {
  const { task } = await post("/api/tasks", body);
  started(task);
  for (let wait = 120; ; wait = Math.min(wait * 1.3, 1000)) {
    const now = await get(`/api/tasks/${task}`);
    progress(now.done, now.of, task);
    if (now.state === "done") return now.result;
    if (now.state === "cancelled") return null;
    if (now.state === "failed") throw new ApiError(now.error, 422, now);
    await new Promise((resolve) => setTimeout(resolve, wait));
  }
}

export const cancelTask = (task) => send("DELETE", `/api/tasks/${task}`);
