"use strict";
// Checks a VC-JWT (RS256) with the keys in this page. Nothing in a file says how it is checked; no text of it becomes markup.
const DATA = JSON.parse(document.getElementById("data").textContent);
const ISSUER = DATA.issuer;
const SKEW = 5 * 60 * 1000;
const CLAIMS = ["iss", "sub", "jti", "nbf", "exp"];
const LARGEST = 1 << 21;

class Refused extends Error {}

function bytesOf(text) {
  if (!/^[A-Za-z0-9_-]*$/.test(text)) throw new Refused("It can't be read: a part is no base64url text.");
  let raw;
  try {
    raw = atob(text.replaceAll("-", "+").replaceAll("_", "/"));
  } catch {
    throw new Refused("It can't be read: a part is no base64url text.");
  }
  return Uint8Array.from(raw, (c) => c.charCodeAt(0));
}

// Only text that this very function would write: so no member stands twice, and there is one spelling.
function parsed(bytes) {
  try {
    const text = new TextDecoder("utf-8", { fatal: true }).decode(bytes);
    const value = JSON.parse(text);
    if (JSON.stringify(value) === text && value !== null && typeof value === "object" && !Array.isArray(value)) return value;
  } catch {
    // said below
  }
  throw new Refused("It can't be read: a part is no JSON in its one spelling.");
}

// `shape` comes from the types that the command uses: exactly these members, no others.
function fits(value, shape, where) {
  const wrong = (what) => new Refused(`It is not of the closed profile: ${where} ${what}. Nobody vouches for such a part.`);
  if (shape.kind === "text") {
    if (typeof value !== "string") throw wrong("is no text");
    const long = [...value].length;
    if (long < (shape.least ?? 0) || long > (shape.most ?? Infinity)) throw wrong("is too short or too long");
    if (shape.pattern && !new RegExp(shape.pattern).test(value)) throw wrong("has a text that does not belong there");
  } else if (shape.kind === "one of") {
    if (!shape.values.includes(value)) throw wrong("has a value that does not belong there");
  } else if (shape.kind === "truth") {
    if (typeof value !== "boolean") throw wrong("is neither true nor false");
  } else if (shape.kind === "row" || shape.kind === "list") {
    const [least, most] = shape.kind === "row" ? [shape.items.length, shape.items.length] : [shape.least, shape.most];
    if (!Array.isArray(value) || value.length < least || value.length > most) throw wrong("has another number of parts");
    value.forEach((inner, k) => fits(inner, shape.kind === "row" ? shape.items[k] : shape.item, `${where}[${k}]`));
  } else {
    if (value === null || typeof value !== "object" || Array.isArray(value)) throw wrong("is no object");
    for (const name of Object.keys(value)) if (!Object.hasOwn(shape.members, name)) throw wrong(`has the unknown member ${name}`);
    for (const [name, member] of Object.entries(shape.members)) {
      if (Object.hasOwn(value, name)) fits(value[name], member.shape, `${where}.${name}`);
      else if (member.needed) throw wrong(`lacks ${name}`);
    }
  }
}

function claimsOf(made) {
  const claims = {
    iss: typeof made.issuer === "string" ? made.issuer : made.issuer.id, sub: made.credentialSubject.id, jti: made.id,
    nbf: Date.parse(made.validFrom) / 1000,
  };
  if (made.validUntil !== undefined) claims.exp = Date.parse(made.validUntil) / 1000;
  return claims;
}

// The document in a token once its signature holds under a key of the issuer; `say` takes the sentence of each check.
async function proven(text, shape, say) {
  const parts = text.trim().split(".");
  if (text.length > LARGEST || parts.length !== 3 || parts.some((part) => part === "")) {
    throw new Refused("It can't be read: it has not the three parts of a signed token.");
  }
  const [header, payload] = parts.slice(0, 2).map((part) => parsed(bytesOf(part)));
  if (Object.keys(header).sort().join() !== "alg,kid,typ" || header.alg !== "RS256" || header.typ !== "JWT") {
    throw new Refused("It can't be read: the header is not exactly alg RS256, typ JWT and kid; no other one is accepted.");
  }
  const made = Object.fromEntries(Object.entries(payload).filter(([name]) => !CLAIMS.includes(name)));
  fits(made, shape, "the certificate");
  say("It has exactly the members of the profile.");
  const wanted = claimsOf(made);
  for (const name of CLAIMS) {
    if (payload[name] !== wanted[name]) throw new Refused(`It can't be read: its claim ${name} differs from what the certificate says.`);
  }
  if (wanted.iss !== ISSUER.id) throw new Refused(`Its issuer is another one than ${ISSUER.name}; ask that issuer.`);
  say(`Its issuer is ${ISSUER.name}.`);
  const key = ISSUER.keys.find((one) => one.id === header.kid && one.kind === "RSA");
  if (!key) throw new Refused(`It names a key that is none of ${ISSUER.name}.`);
  const signed = Date.parse(made.validFrom);
  if (key.revoked) throw new Refused(`Its key does not count: it was revoked on ${key.revoked}: ${key.reason}.`);
  if (!(signed >= Date.parse(key.since)) || (key.until && signed > Date.parse(key.until))) {
    throw new Refused("Its key does not count: it was not the issuer's signing key when the certificate is dated.");
  }
  const algorithm = { name: "RSASSA-PKCS1-v1_5", hash: "SHA-256" };
  const imported = await crypto.subtle.importKey("jwk", { ...key.jwk, alg: "RS256" }, algorithm, false, ["verify"]);
  const told = new TextEncoder().encode(`${parts[0]}.${parts[1]}`);
  if (!(await crypto.subtle.verify(algorithm, imported, bytesOf(parts[2]), told))) {
    throw new Refused("Its signature does not hold: something was changed, or another key signed it.");
  }
  say(`Its signature holds: nothing was changed since it was signed (${made.validFrom}) with a key that is not revoked.`);
  return made;
}

async function unpacked(text) {
  const stream = new Blob([bytesOf(text.slice(1))]).stream().pipeThrough(new DecompressionStream("gzip"));
  const reader = stream.getReader();
  const bits = new Uint8Array(LARGEST);
  let length = 0;
  for (;;) {
    const { done, value } = await reader.read();
    if (done) return bits.subarray(0, length);
    if (length + value.length > LARGEST) throw new Refused("The list in this page is larger than any list.");
    bits.set(value, length);
    length += value.length;
  }
}

async function revocation(made, say, leave) {
  const entry = made.credentialStatus;
  if (!DATA.status) return leave("Not checked for revocation: this page holds no list. Ask the school.");
  if (typeof DecompressionStream === "undefined") return leave("Not checked for revocation: this browser can't unpack the list.");
  const list = await proven(DATA.status, DATA.shapes.list, () => {});
  if (list.id !== entry.statusListCredential) throw new Refused("The list in this page is another one than the certificate names.");
  const bits = await unpacked(list.credentialSubject.encodedList);
  const index = Number(entry.statusListIndex);
  if (index >= bits.length * 8) throw new Refused("The list in this page has no place for this certificate.");
  if (bits[index >> 3] & (0x80 >> (index & 7))) throw new Refused(`Revoked: the school's list of ${list.validFrom} says so.`);
  if (Date.parse(list.validUntil) <= Date.now()) return leave(`Not checked for revocation: the list in this page ended ${list.validUntil}.`);
  say(`Not revoked, by the school's list of ${list.validFrom}.`);
  return leave(`Revocations after ${list.validFrom} do not show in the list in this page.`);
}

async function checked(text) {
  const checks = [], unchecked = [
    "Whether the person before you is the one named.", "Whether this device's clock is right: dates are compared with it.",
  ];
  const say = (sentence) => checks.push(sentence), leave = (sentence) => unchecked.push(sentence);
  let made = null;
  if (text.trim().startsWith("{")) {
    leave("This kind of file (.json) needs the command: blowergrade verify. This page checks the .jwt file of the same certificate.");
    return { verdict: "unknown", why: "Nothing was checked.", checks, unchecked, made };
  }
  if (!globalThis.crypto?.subtle) {
    leave("Anything: this browser offers its cryptography only on https pages and on files that it opened itself.");
    return { verdict: "unknown", why: "Nothing was checked.", checks, unchecked, made };
  }
  try {
    made = await proven(text, DATA.shapes.certificate, say);
    const entry = made.credentialStatus, scale = made.credentialSubject.achievement.resultDescription;
    const score = made.credentialSubject.result[0].value;
    if (Number(score) < Number(scale[0].requiredValue) || entry.id !== `${entry.statusListCredential}#${entry.statusListIndex}`) {
      throw new Refused("It contradicts itself.");
    }
    if (Date.parse(made.validFrom) > Date.now() + SKEW) throw new Refused(`Not yet valid: it begins ${made.validFrom}.`);
    if (made.validUntil && Date.parse(made.validUntil) <= Date.now()) throw new Refused(`Expired: it ended ${made.validUntil}.`);
    say(`It is in force: since ${made.validFrom}, ${made.validUntil ? `until ${made.validUntil}` : "it has no end"}.`);
    await revocation(made, say, leave);
    return { verdict: "valid", why: "The school issued this certificate as it stands here.", checks, unchecked, made };
  } catch (error) {
    const why = error instanceof Refused ? error.message : "It can't be checked: it is damaged.";
    return { verdict: "refused", why, checks, unchecked, made };
  }
}

// ---------------------------------------------------------------------- what is shown: text only
const WORDS = { valid: "Valid", refused: "Not valid", unknown: "Not checked" };

function fill(list, sentences) {
  list.replaceChildren(...(sentences.length ? sentences : ["Nothing."]).map((sentence) => {
    const item = document.createElement("li");
    item.textContent = sentence;
    return item;
  }));
}

function factsOf(made) {
  const subject = made.credentialSubject, exam = subject.achievement;
  const name = subject.identifier.find((one) => one.identityType === "name");
  return [
    ["Name", name ? name.identityHash : "not given; only a hash of the holder's address"], ["Exam", exam.name],
    ["Form", exam.humanCode], ["Date of the exam", made.awardedDate.slice(0, 10)],
    ["Score", `${subject.result[0].value} of 100, ${exam.resultDescription[0].requiredValue} needed`], ["Safety gate", "passed"],
    ["Issued by", `${made.issuer.name} (${made.issuer.id})`], ["Program version", exam.version],
    ["Record", made.evidence[0].narrative], ["Certificate", made.id], ["It says of itself", made.description],
  ];
}

function show(found) {
  const heading = document.getElementById("verdict");
  heading.textContent = WORDS[found.verdict];
  heading.className = found.verdict;
  document.getElementById("why").textContent = found.why;
  fill(document.getElementById("checks"), found.checks);
  fill(document.getElementById("unchecked"), found.unchecked);
  document.getElementById("content").hidden = found.verdict !== "valid";
  document.getElementById("facts").replaceChildren(...(found.verdict === "valid" ? factsOf(found.made) : []).map(([name, value]) => {
    const row = document.createElement("tr"), head = document.createElement("th"), cell = document.createElement("td");
    head.scope = "row";
    head.textContent = name;
    cell.textContent = value;
    row.append(head, cell);
    return row;
  }));
  document.getElementById("result").hidden = false;
  heading.focus();
}

async function take(file) {
  if (!file) return;
  if (file.size > LARGEST) show({ verdict: "refused", why: "It is far larger than a certificate.", checks: [], unchecked: [], made: null });
  else show(await checked(await file.text()));
}

const drop = document.getElementById("drop"), input = document.getElementById("file");
input.addEventListener("change", () => take(input.files[0]));
for (const name of ["dragover", "dragleave", "drop"]) {
  document.addEventListener(name, (event) => {
    event.preventDefault();
    drop.classList.toggle("over", name === "dragover");
    if (name === "drop") take(event.dataTransfer.files[0]);
  });
}
