"use strict";
// What every page of this package needs: its data, its elements, and numbers as people write them.

const DATA = JSON.parse(document.getElementById("data").textContent);
const at = (id) => document.getElementById(id);

// Signs that don't show, or take no room, as escapes that do; the same as the tool's own.
const HIDDEN = /[\p{Cc}\p{Cf}\p{Cs}\p{Co}\p{Cn}\p{Zl}\p{Zp}\u034f\u115f\u1160\u17b4\u17b5\u180b-\u180d\u180f\u2800\u3164\uffa0\ufe00-\ufe0f\u{e0100}-\u{e01ef}]/gu;

function visible(text) {
  return String(text).replace(HIDDEN, (sign) => {
    const code = sign.codePointAt(0), [letter, digits] = code < 256 ? ["x", 2] : code < 65536 ? ["u", 4] : ["U", 8];
    return `\\${letter}${code.toString(16).padStart(digits, "0")}`;
  });
}

function make(tag, text, attributes = {}) {
  const made = document.createElement(tag);
  if (text !== undefined) made.textContent = visible(text);
  for (const [name, value] of Object.entries(attributes)) made.setAttribute(name, value);
  return made;
}

function shape(tag, attributes, text) {
  const made = document.createElementNS("http://www.w3.org/2000/svg", tag);
  for (const [name, value] of Object.entries(attributes)) made.setAttribute(name, value);
  if (text !== undefined) made.textContent = text;
  return made;
}

// A number as people write it: digits, a sign, one decimal mark (point or comma), an exponent; null where it is not one.
function numberOf(text) {
  const plain = text.trim().replace("\u2212", "-");
  if (!/^[+-]?(\d+([.,]\d*)?|[.,]\d+)(e[+-]?\d+)?$/i.test(plain)) return null;
  const number = Number(plain.replace(",", "."));
  return Number.isFinite(number) ? number : null;
}
