// Small pictures of the page at the oven: a shape for each state of the cue, and the bubble below its frame.
(function () {
  "use strict";
  const pullcue = window.pullcue_oven;
  // One silhouette a state, told apart without colour and from afar.
  const SHAPES = {
    "no-sheet": '<rect x="14" y="42" width="72" height="16" rx="4" fill="none" stroke-width="7"/>',
    heating: '<path d="M24 88c-16-25 16-50 0-76M50 88c-16-25 16-50 0-76M76 88c-16-25 16-50 0-76" fill="none" stroke-width="10"/>',
    "getting-close": '<circle cx="50" cy="50" r="38" fill="none" stroke-width="9"/><path d="M50 50V26M50 50l17 12" fill="none" stroke-width="9"/>',
    "pull-now": '<path d="M50 6l42 44H68v42H32V50H8z"/>',
    "last-chance": '<path d="M50 6l46 84H4z" fill="none" stroke-width="9"/><path d="M50 36v26M50 72v9" fill="none" stroke-width="10"/>',
    "too-late": '<path d="M16 16l68 68M84 16L16 84" fill="none" stroke-width="17"/>',
    "cannot-tell": '<path d="M30 34c0-30 42-28 42-4 0 17-22 16-22 34M50 78v10" fill="none" stroke-width="12"/>',
    carry: '<path d="M8 50h70M54 22l28 28-28 28" fill="none" stroke-width="13"/>',
    "too-cold": '<path d="M50 8v84M14 29l72 42M86 29L14 71" fill="none" stroke-width="10"/>',
    "on-the-mold": '<path d="M12 54l26 26 50-56" fill="none" stroke-width="14"/>',
    "not-live": '<path d="M10 10h80v80H10z" fill="none" stroke-width="9"/><path d="M10 90L90 10" fill="none" stroke-width="9"/>',
  };
  pullcue.shape = (key) =>
    `<svg viewBox="0 0 100 100" fill="currentColor" stroke="currentColor" stroke-linecap="round" stroke-linejoin="round" stroke-width="0">${SHAPES[key] || ""}</svg>`;

  const WIDE = 420, LEFT = 62, TOP = 34, DEEP = 190;
  const bow = (depth) => `M${LEFT} ${TOP}Q${WIDE / 2} ${TOP + 2 * depth} ${WIDE - LEFT} ${TOP}`;

  pullcue.sag = (place, sag, card) => {
    if (!place) {
      return;
    }
    card.hidden = !sag;
    if (!sag) {
      delete place.dataset.seen;
      place.replaceChildren();
      return;
    }
    const seen = JSON.stringify(sag);
    if (place.dataset.seen === seen) {
      return;
    }
    place.dataset.seen = seen;
    const half = WIDE / 2 - LEFT;
    const deepest = Math.max(sag.r * 0.6, ...(sag.likely || [0]), sag.measured || 0, sag.wanted || 0, ...sag.lines) * 1.12;
    // As long as there is room the picture is true to scale.
    const scale = Math.min(half / sag.r, DEEP / deepest);
    const level = (mm, name, words) => `<line class="${name}" x1="${LEFT - 30}" x2="${WIDE - LEFT + 30}" y1="${TOP + mm * scale}" y2="${TOP + mm * scale}"/>` +
      `<text x="${WIDE - LEFT + 26}" y="${TOP + mm * scale - 5}" text-anchor="end">${words}</text>`;
    let inner = "";
    if (sag.likely) {
      const [low, middle, high] = sag.likely.map((mm) => mm * scale);
      inner += `<path class="band" d="${bow(high)}Q${WIDE / 2} ${TOP + 2 * low} ${LEFT} ${TOP}z"/><path class="likely" d="${bow(middle)}"/>`;
    }
    sag.lines.forEach((mm, number) => (inner += level(mm, "line", `line ${number + 1}`)));
    if (sag.wanted) {
      inner += level(sag.wanted, "wanted", "wanted");
    }
    if (sag.measured !== null) {
      const depth = sag.measured * scale;
      inner += `<path class="measured" d="${bow(depth)}"/><circle class="measured-dot" cx="${WIDE / 2}" cy="${TOP + depth}" r="7"/>`;
    }
    inner += `<path class="frame" d="M8 ${TOP - 10}h${LEFT - 8}v20h-${LEFT - 8}zM${WIDE - 8} ${TOP - 10}h-${LEFT - 8}v20h${LEFT - 8}z"/>`;
    place.innerHTML = `<svg viewBox="0 0 ${WIDE} ${TOP + DEEP + 16}" aria-hidden="true">${inner}</svg>`;
    const words = document.createElement("p");
    words.textContent = sag.words.join(", ");
    place.append(words);
    place.setAttribute("aria-label", `Drop below the frame: ${sag.words.join(", ")}`);
  };
})();
