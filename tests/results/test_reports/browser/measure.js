// Measurements of a report in the browser. Each returns what is wrong, as a list of texts; an empty list is good.
(() => {
  const numbers = (colour) => (colour.match(/[\d.]+/g) || []).map(Number);

  // Relative luminance and contrast ratio as WCAG 2 defines them (sRGB).
  const linear = (v) => (v / 255 <= 0.04045 ? v / 255 / 12.92 : ((v / 255 + 0.055) / 1.055) ** 2.4);
  const light = ([r, g, b]) => 0.2126 * linear(r) + 0.7152 * linear(g) + 0.0722 * linear(b);
  const ratio = (one, two) => {
    const [a, b] = [light(one), light(two)];
    return (Math.max(a, b) + 0.05) / (Math.min(a, b) + 0.05);
  };

  // The nearest background behind an element that hides what is below it.
  const ground = (element) => {
    for (let e = element; e; e = e.parentElement) {
      const colour = numbers(getComputedStyle(e).backgroundColor);
      if (colour.length === 3 || colour[3] === 1) return colour;
    }
    return [255, 255, 255];
  };

  // What sticks out of the page, except inside a place that scrolls by itself.
  const tooWide = () => {
    const width = document.documentElement.clientWidth;
    const found = [];
    const whole = document.documentElement.scrollWidth;
    if (whole > width) found.push(`the page is ${whole} wide`);
    for (const e of document.querySelectorAll('body *')) {
      if (e.closest('.scroll, .traffic, .skip, thead, svg')) continue;
      const box = e.getBoundingClientRect();
      if (box.width && (box.right > width + 1 || box.left < -1)) {
        found.push(`${e.tagName}.${e.className}: ${e.textContent.slice(0, 40)}`);
      }
    }
    return found.slice(0, 8);
  };

  // Text below 4.5 to 1, or 3 to 1 where it is large or large and bold. Labels of drawings are HTML and so included.
  const faintText = () => {
    const found = new Map();
    let read = 0;
    const walker = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
    while (walker.nextNode()) {
      const e = walker.currentNode.parentElement;
      if (!walker.currentNode.textContent.trim() || e.closest('script, style, svg')) continue;
      read += 1;
      const style = getComputedStyle(e);
      const size = parseFloat(style.fontSize);
      const large = size >= 24 || (size >= 18.66 && +style.fontWeight >= 700);
      const reached = ratio(numbers(style.color), ground(e));
      if (reached < (large ? 3 : 4.5)) found.set(`${style.color} on ${ground(e)}: ${reached.toFixed(2)}`, e.textContent);
    }
    if (read < 20) found.set('hardly any text was read', '');
    return [...found].map(([what, text]) => `${what} ${text.slice(0, 30)}`);
  };

  // Lines and dots of drawings below 3 to 1 (WCAG 2.1, non-text contrast).
  const faintMarks = () => {
    const kinds = ['dot', 'limit', 'current', 'voltage', 'current-limit', 'trip', 'whisker', 'swing', 'loaded'];
    const found = new Set();
    for (const e of document.querySelectorAll(kinds.map((kind) => `.plot .${kind}`).join(', '))) {
      const reached = ratio(numbers(getComputedStyle(e).stroke), ground(e.closest('div')));
      if (reached < 3) found.add(`${e.getAttribute('class')}: ${reached.toFixed(2)}`);
    }
    return [...found];
  };

  // Unit names of one drawing that cover each other.
  const touching = () => {
    const found = [];
    for (const strip of document.querySelectorAll('.units-strip')) {
      const names = [...strip.querySelectorAll('.unit-name')];
      names.forEach((one, index) => names.slice(index + 1).forEach((two) => {
        const [a, b] = [one.getBoundingClientRect(), two.getBoundingClientRect()];
        const apart = a.right <= b.left || b.right <= a.left || a.bottom <= b.top || b.bottom <= a.top;
        if (a.width && !apart) found.push(`${one.textContent} / ${two.textContent}`);
      }));
    }
    return found;
  };

  const unnamedSections = () =>
    [...document.querySelectorAll('section')]
      .filter((section) => !document.getElementById(section.getAttribute('aria-labelledby')))
      .map((section) => section.textContent.slice(0, 40));

  window.measure = { tooWide, faintText, faintMarks, touching, unnamedSections };
})();
