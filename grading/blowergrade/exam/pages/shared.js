// What the exam's pages share: making elements, asking the service, times in words.

export const make = (tag, properties = {}, ...children) => {
  const element = document.createElement(tag);
  for (const [name, value] of Object.entries(properties)) {
    if (name.startsWith("on")) element.addEventListener(name.slice(2), value);
    else if (name in element) element[name] = value;
    else element.setAttribute(name, value);
  }
  element.append(...children);
  return element;
};

/** Set a text only where it is another one: a live region that is written anew is read out again. */
export const setText = (element, text) => {
  if (element.textContent !== text) element.textContent = text;
};

const PATIENCE = 15000; // ms without an answer: then the line is dead, whatever the browser believes

/** The service's answer as JSON; throws an error with `word` and `status` where it refuses, and one without where it is away. */
export async function ask(method, address, body) {
  const response = await fetch(address, {
    method, cache: "no-store", headers: body === undefined ? {} : { "Content-Type": "application/json" },
    body: body === undefined ? undefined : JSON.stringify(body), signal: AbortSignal.timeout(PATIENCE),
  });
  const found = await response.json();
  if (!response.ok) throw Object.assign(new Error(found.text ?? response.statusText), { word: found.refused, status: response.status });
  return found;
}

/** Milliseconds as h:mm:ss, or m:ss below an hour; rounded up, so that 0:00 is the end. */
export function time(milliseconds) {
  const seconds = Math.ceil(milliseconds / 1000);
  const parts = [Math.floor(seconds / 3600), Math.floor(seconds / 60) % 60, seconds % 60];
  return (parts[0] ? parts : parts.slice(1)).map((n, k) => (k ? String(n).padStart(2, "0") : n)).join(":");
}
