/* A short line as a QR code (ISO/IEC 18004, from memory): version 6, error correction L, bytes,
   mask 0. One size and one mask are enough for one line; a reader takes any. */
"use strict";

const QR = { size: 41, blocks: 2, data: 68, check: 18, format: 0b111011111000100 };
QR.most = QR.blocks * QR.data - 2;

/* Reed-Solomon check bytes over GF(256), x^8 + x^4 + x^3 + x^2 + 1. */
function qrCheckBytes(data, count) {
  const times = (a, b) => {
    let product = 0;
    for (let i = 7; i >= 0; i -= 1) {
      product = (product << 1) ^ ((product >> 7) * 0x11d) ^ (((b >> i) & 1) * a);
    }
    return product;
  };
  let generator = [1];
  for (let i = 0, root = 1; i < count; i += 1, root = times(root, 2)) {
    const longer = [...generator, 0];
    generator.forEach((g, k) => { longer[k + 1] ^= times(g, root); });
    generator = longer;
  }
  const rest = [...data, ...new Array(count).fill(0)];
  data.forEach((_, i) => {
    const lead = rest[i];
    generator.forEach((g, k) => { rest[i + k] ^= times(g, lead); });
  });
  return rest.slice(data.length);
}

/* The bytes of a text as they stand in the code: blocks interleaved, check bytes last. */
function qrBytes(text) {
  const bytes = [...new TextEncoder().encode(text)];
  if (bytes.length > QR.most) { return null; }
  const bits = (value, count) => value.toString(2).padStart(count, "0");
  const message = "0100" + bits(bytes.length, 8) + bytes.map((byte) => bits(byte, 8)).join("") + "0000";
  const whole = message.match(/.{8}/g).map((byte) => parseInt(byte, 2));
  for (let pad = 0xec; whole.length < QR.blocks * QR.data; pad ^= 0xec ^ 0x11) { whole.push(pad); }
  const blocks = [0, 1].map((i) => whole.slice(i * QR.data, (i + 1) * QR.data));
  const checks = blocks.map((block) => qrCheckBytes(block, QR.check));
  const mixed = (rows) => rows[0].flatMap((_, k) => rows.map((row) => row[k]));
  return [...mixed(blocks), ...mixed(checks)];
}

/* Rows of modules, true where dark; null where the text is too long. */
function qrModules(text) {
  const bytes = qrBytes(text);
  if (bytes === null) { return null; }
  const n = QR.size;
  const rows = Array.from({ length: n }, () => new Array(n).fill(null));
  const square = (x, y, radius, light) => {
    for (let dy = -radius; dy <= radius; dy += 1) {
      for (let dx = -radius; dx <= radius; dx += 1) {
        const ring = Math.max(Math.abs(dx), Math.abs(dy));
        if (rows[y + dy] && rows[y + dy][x + dx] !== undefined) { rows[y + dy][x + dx] = !light.includes(ring); }
      }
    }
  };
  for (let i = 0; i < n; i += 1) { rows[6][i] = rows[i][6] = i % 2 === 0; }
  square(3, 3, 4, [2, 4]);
  square(n - 4, 3, 4, [2, 4]);
  square(3, n - 4, 4, [2, 4]);
  square(n - 7, n - 7, 2, [1]);
  for (let i = 0; i < 15; i += 1) {
    const dark = Boolean((QR.format >> i) & 1);
    rows[i < 6 ? i : i < 8 ? i + 1 : n - 15 + i][8] = dark;
    rows[8][i < 8 ? n - 1 - i : i === 8 ? 7 : 14 - i] = dark;
  }
  rows[n - 8][8] = true;
  let bit = 0;
  for (let right = n - 1, up = true; right > 0; right -= 2, up = !up) {
    if (right === 6) { right = 5; }
    for (let k = 0; k < n; k += 1) {
      const y = up ? n - 1 - k : k;
      [right, right - 1].filter((x) => rows[y][x] === null).forEach((x) => {
        const dark = ((bytes[bit >> 3] || 0) >> (7 - (bit & 7))) & 1;
        rows[y][x] = Boolean(dark) !== ((x + y) % 2 === 0);
        bit += 1;
      });
    }
  }
  return rows;
}

/* Draw a text into an SVG element, with four modules of quiet around; false where it is too long. */
function drawQr(svg, text) {
  const rows = qrModules(text);
  if (rows === null) { return false; }
  const path = rows.flatMap((row, y) => row.map((dark, x) => (dark ? "M" + (x + 4) + " " + (y + 4) + "h1v1h-1z" : ""))).join("");
  svg.setAttribute("viewBox", "0 0 " + (QR.size + 8) + " " + (QR.size + 8));
  svg.querySelector("path").setAttribute("d", path);
  return true;
}
