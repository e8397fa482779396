// What the report's tests measure in the page. Each function takes nothing and returns plain data.

// Where an element stands, for a failure text.
function named(element) {
  const of = (e) => e.tagName.toLowerCase() + (e.id ? "#" + e.id : "") +
    (typeof e.className === "string" && e.className ? "." + e.className.trim().replace(/\s+/g, ".") : "");
  const text = (element.textContent || "").trim().slice(0, 40);
  return (element.parentElement ? of(element.parentElement) + " > " : "") + of(element) + (text ? ` "${text}"` : "");
}

function shown(element) {
  const box = element.getBoundingClientRect();
  return box.width > 0 && box.height > 0 && getComputedStyle(element).visibility !== "hidden";
}

// A box of its own that scrolls sideways; what is inside it may be wider than the window.
function scrolls(element) {
  for (let e = element.parentElement; e && e !== document.body; e = e.parentElement) {
    if (["auto", "scroll"].includes(getComputedStyle(e).overflowX)) return true;
  }
  return false;
}

// Off-screen texts for screen readers are clipped to a pixel on purpose.
function hiddenForReaders(element) {
  for (let e = element; e && e !== document.body; e = e.parentElement) {
    const style = getComputedStyle(e);
    if (style.position === "absolute" && e.getBoundingClientRect().width <= 1) return true;
  }
  return false;
}

function overflow() {
  const width = document.documentElement.clientWidth;
  const wide = [];
  for (const element of document.body.querySelectorAll("*")) {
    if (!shown(element) || hiddenForReaders(element)) continue;
    const box = element.getBoundingClientRect();
    if ((box.right > width + 0.5 || box.left < -0.5) && !scrolls(element) && !element.closest("svg"))
      wide.push(`${named(element)}: ${Math.round(box.left)}..${Math.round(box.right)} of ${width}`);
  }
  return { page: document.documentElement.scrollWidth - width, wide: wide.slice(0, 10) };
}

// Text that its own box cuts off.
function cut() {
  const found = [];
  for (const element of document.body.querySelectorAll("*")) {
    if (!shown(element) || hiddenForReaders(element) || element.closest("svg")) continue;
    const style = getComputedStyle(element);
    const x = ["hidden", "clip"].includes(style.overflowX) && element.scrollWidth > element.clientWidth + 1;
    const y = ["hidden", "clip"].includes(style.overflowY) && element.scrollHeight > element.clientHeight + 1;
    if (x || y) found.push(named(element));
  }
  return found;
}

function headings() {
  return [...document.querySelectorAll("h1, h2, h3, h4, h5, h6")]
    .map((h) => [Number(h.tagName[1]), h.textContent.trim()]);
}

// Links inside the page whose target is missing, and ids that stand twice.
function anchors() {
  const ids = [...document.querySelectorAll("[id]")].map((e) => e.id);
  const known = new Set(ids);
  const broken = [...document.querySelectorAll("a[href^='#']")]
    .map((a) => decodeURIComponent(a.getAttribute("href").slice(1)))
    .filter((id) => id && !known.has(id));
  const seen = new Set();
  return { broken, twice: ids.filter((id) => seen.size === seen.add(id).size), links: document.links.length };
}

// Figures: their names for a screen reader, and what of their text stands outside them.
function figures() {
  return [...document.querySelectorAll("svg[role='img']")].map((svg) => {
    const by = (svg.getAttribute("aria-labelledby") || "").split(/\s+/).filter(Boolean);
    const name = by.map((id) => (document.getElementById(id) || {}).textContent || "").join(" ").trim();
    const frame = svg.getBoundingClientRect();
    const texts = [...svg.querySelectorAll("text")].filter((t) => t.textContent.trim());
    const outside = texts.filter((t) => {
      const box = t.getBoundingClientRect();
      return box.left < frame.left - 1 || box.right > frame.right + 1 || box.top < frame.top - 1 ||
        box.bottom > frame.bottom + 1;
    });
    const sizes = texts.map((t) => {
      const by = t.getScreenCTM();
      return parseFloat(getComputedStyle(t).fontSize) * (by ? Math.hypot(by.b, by.d) : 1);  // turned text too
    });
    return {
      name, width: frame.width, height: frame.height, outside: outside.map((t) => t.textContent),
      overlapping: overlapping(texts), smallest: sizes.length ? Math.min(...sizes) : null,
    };
  });
}

function overlapping(texts) {
  const boxes = texts.map((t) => [t.textContent, t.getBoundingClientRect()]);
  const found = [];
  for (let i = 0; i < boxes.length; i++) for (let k = i + 1; k < boxes.length; k++) {
    const [a, b] = [boxes[i][1], boxes[k][1]];
    const wide = Math.min(a.right, b.right) - Math.max(a.left, b.left);
    const high = Math.min(a.bottom, b.bottom) - Math.max(a.top, b.top);
    // A line box is taller than its letters: only what shares a third of its height really collides.
    if (wide > 2 && high > Math.min(a.height, b.height) / 3) found.push([boxes[i][0], boxes[k][0]]);
  }
  return found.slice(0, 10);
}

// Contrast of text inside figures, which axe-core does not look at. WCAG 2.2, relative luminance and contrast ratio.
function figureContrast() {
  const poor = [];
  for (const text of document.querySelectorAll("svg text")) {
    if (!text.textContent.trim() || !shown(text)) continue;
    const ink = colour(getComputedStyle(text).fill);
    const ground = underneath(text) || background(text.closest("svg"));
    if (!ink || ink.a === 0) { poor.push(`${text.textContent}: no fill`); continue; }
    const ratio = contrast(ink, ground);
    if (ratio < 4.5) poor.push(`${text.textContent}: ${ratio.toFixed(2)}`);
  }
  return [...new Set(poor)];
}

// What the figure itself paints under a text's middle: the last filled shape drawn before it that reaches there.
function underneath(text) {
  const box = text.getBoundingClientRect();
  let found = null;
  for (const shape of text.closest("svg").querySelectorAll("path, rect, circle")) {
    if (shape.closest("defs, clipPath, pattern")) continue;
    if (!(shape.compareDocumentPosition(text) & Node.DOCUMENT_POSITION_FOLLOWING)) break;
    const by = shape.getScreenCTM();
    if (!by) continue;
    const at = new DOMPoint((box.left + box.right) / 2, (box.top + box.bottom) / 2).matrixTransform(by.inverse());
    const paint = getComputedStyle(shape).fill;
    if (paint === "none" || !shape.isPointInFill(at)) continue;
    found = colour(paint) || hatched(paint) || found;
  }
  return found;
}

// A hatched shape is filled with a pattern; its first shape with a colour is the ground.
function hatched(paint) {
  const id = (paint.match(/#([^")]+)/) || [])[1];
  const tile = id && document.getElementById(id);
  const ground = tile && [...tile.querySelectorAll("rect, path")].map((e) => colour(getComputedStyle(e).fill)).find(Boolean);
  return ground || null;
}

function colour(css) {
  const part = (css.match(/[\d.]+/g) || []).map(Number);
  return css.startsWith("rgb") ? { r: part[0], g: part[1], b: part[2], a: part.length > 3 ? part[3] : 1 } : null;
}

function background(element) {
  for (let e = element; e; e = e.parentElement) {
    const found = colour(getComputedStyle(e).backgroundColor);
    if (found && found.a > 0) return found;
  }
  return { r: 255, g: 255, b: 255, a: 1 };
}

function contrast(one, other) {
  const luminance = (c) => {
    const [r, g, b] = [c.r, c.g, c.b].map((v) => {
      const s = v / 255;
      return s <= 0.04045 ? s / 12.92 : ((s + 0.055) / 1.055) ** 2.4;
    });
    return 0.2126 * r + 0.7152 * g + 0.0722 * b;
  };
  const [a, b] = [luminance(one), luminance(other)].sort((x, y) => y - x);
  return (a + 0.05) / (b + 0.05);
}

function scripts() {
  return document.querySelectorAll("script, [onload], [onclick], [onerror], iframe, object, embed").length;
}

function words() {
  return document.body.innerText;
}

// Width of each name in the comparison, as a part of its row.
function rowNames() {
  return [...document.querySelectorAll(".compare tbody tr")].map((row) => {
    const name = row.querySelector("th").getBoundingClientRect();
    return name.width / row.getBoundingClientRect().width;
  });
}

// Figures: whether they are wider than their box, and whether words above them say so.
function sideways() {
  return [...document.querySelectorAll("figure")].map((figure) => {
    const box = figure.querySelector(".scroll");
    const hint = figure.querySelector(".sideways");
    return { id: figure.id, scrolls: box.scrollWidth > box.clientWidth + 1, told: Boolean(hint && shown(hint)) };
  });
}

// Smallest text of each figure in px, and its right edge as a part of the column's width.
function figureTexts() {
  const column = document.querySelector("main").getBoundingClientRect();
  return Object.fromEntries([...document.querySelectorAll("figure")].map((figure) => {
    const sizes = [...figure.querySelectorAll("svg text")].filter((t) => t.textContent.trim()).map((t) => {
      const by = t.getScreenCTM();
      return parseFloat(getComputedStyle(t).fontSize) * Math.hypot(by.b, by.d);
    });
    const right = Math.max(...[...figure.querySelectorAll("svg")].map((svg) => svg.getBoundingClientRect().right));
    const name = figure.id.replace("fig-", "");
    return [name, { smallest: Math.min(...sizes), right: (right - column.left) / column.width }];
  }));
}

// From each shown hint above a wide figure to the drawing below it, in px.
function hintGaps() {
  return [...document.querySelectorAll(".sideways")].filter(shown).map((hint) =>
    hint.nextElementSibling.getBoundingClientRect().top - hint.getBoundingClientRect().bottom);
}

// What folded parts of the page hold, one text a link or a line of a list.
function folded() {
  return [...document.querySelectorAll("details:not([open]) a, details:not([open]) li")]
    .filter((e) => !e.querySelector("a")).map((e) => e.textContent.trim()).filter(Boolean);
}
