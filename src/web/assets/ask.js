// Requests to the page's own machine. Whatever goes wrong arrives as a `Told`: what, and what to do.

const token = document.querySelector('meta[name="narrows-token"]').content;

export class Told extends Error {
  constructor({ error, hint, code, field }) {
    super(error);
    this.hint = hint;
    this.code = code;
    this.field = field;
  }
}

const unreachable = () =>
  new Told({
    error: "the machine does not answer",
    hint: "check that narrows is still running and that this device is on the same network",
    code: "unreachable",
  });

async function told(response) {
  try {
    return new Told((await response.json()).error);
  } catch {
    return new Told({ error: `the machine answered with ${response.status}`, hint: "reload the page", code: "status" });
  }
}

export async function ask(path, { method = "GET", body, signal } = {}) {
  const headers = method === "GET" ? {} : { "X-Narrows-Token": token };
  if (body !== undefined) headers["Content-Type"] = "application/json";
  let response;
  try {
    response = await fetch(path, { method, headers, signal, body: body === undefined ? undefined : JSON.stringify(body) });
  } catch (error) {
    throw error.name === "AbortError" ? error : unreachable();
  }
  if (!response.ok) throw await told(response);
  return response.status === 204 ? null : response.json();
}

// Saves what the machine draws as a file; a refusal is told as any other.
export async function save(path, name) {
  let response;
  try {
    response = await fetch(path);
  } catch {
    throw unreachable();
  }
  if (!response.ok) throw await told(response);
  const href = URL.createObjectURL(await response.blob());
  const link = document.createElement("a");
  link.href = href;
  link.download = name;
  link.click();
  setTimeout(() => URL.revokeObjectURL(href), 10_000);
}

// Sends a picture; `onShare` hears how much of it has gone, 0 to 1. Resolves to the picture's id.
export function send(file, { onShare, signal }) {
  return new Promise((resolve, reject) => {
    const request = new XMLHttpRequest();
    request.open("POST", `/api/pictures?name=${encodeURIComponent(file.name)}`);
    request.setRequestHeader("X-Narrows-Token", token);
    request.upload.addEventListener("progress", (event) => event.lengthComputable && onShare(event.loaded / event.total));
    request.addEventListener("error", () => reject(unreachable()));
    request.addEventListener("abort", () => reject(new DOMException("cancelled", "AbortError")));
    request.addEventListener("load", () => {
      let answer;
      try {
        answer = JSON.parse(request.responseText);
      } catch {
        return reject(unreachable());
      }
      if (request.status === 202) resolve(answer.id);
      else reject(new Told(answer.error));
    });
    signal.addEventListener("abort", () => request.abort());
    request.send(file);
  });
}

const pause = (ms, signal) =>
  new Promise((resolve, reject) => {
    const timer = setTimeout(resolve, ms);
    signal?.addEventListener("abort", () => {
      clearTimeout(timer);
      reject(new DOMException("cancelled", "AbortError"));
    });
  });

// Waits until a picture is decoded; `onState` hears of every state on the way.
export async function untilReady(id, { onState, signal }) {
  try {
    for (;;) {
      const picture = await ask(`/api/pictures/${id}`, { signal });
      if (picture.state === "ready") return picture;
      if (picture.state === "failed") throw new Told(picture.error);
      onState(picture.state);
      await pause(120, signal);
    }
  } catch (error) {
    if (error.name === "AbortError") ask(`/api/pictures/${id}`, { method: "DELETE" }).catch(() => {});
    throw error;
  }
}
