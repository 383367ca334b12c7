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

  const WIDE = 420, LEFT = 62, TOP = 34, DEEP = 190, LETTERS = 16;
  const bow = (depth) => `M${LEFT} ${TOP}Q${WIDE / 2} ${TOP + 2 * depth} ${WIDE - LEFT} ${TOP}`;

  // Levels with their names, what is wanted first; a name that would lie on another goes to the other side, and where
  // that is taken too it is left out: the line stays.
  const levels = (named) => {
    const taken = { end: [], start: [] };
    return [...named].sort((one, other) => (other.name === "wanted") - (one.name === "wanted") || one.y - other.y).map(({ y, name, words }) => {
      const line = `<line class="${name}" x1="${LEFT - 30}" x2="${WIDE - LEFT + 30}" y1="${y}" y2="${y}"/>`;
      const side = ["end", "start"].find((one) => taken[one].every((other) => Math.abs(other - y) >= LETTERS));
      if (!side) {
        return line;
      }
      taken[side].push(y);
      const x = side === "end" ? WIDE - LEFT + 26 : LEFT - 26;
      return `${line}<text x="${x}" y="${y - 5}" text-anchor="${side}">${words}</text>`;
    }).join("");
  };

  // Whole pixels: a bubble that moved by less is not drawn anew.
  const drawing = (sag) => {
    const half = WIDE / 2 - LEFT;
    const deepest = Math.max(sag.r * 0.6, ...(sag.likely || [0]), sag.measured || 0, sag.wanted || 0, ...sag.lines) * 1.12;
    // As long as there is room the picture is true to scale.
    const scale = Math.min(half / sag.r, DEEP / deepest);
    const depth = (mm) => Math.round(mm * scale);
    let inner = "";
    if (sag.likely) {
      const [low, middle, high] = sag.likely.map(depth);
      inner += `<path class="band" d="${bow(high)}Q${WIDE / 2} ${TOP + 2 * low} ${LEFT} ${TOP}z"/><path class="likely" d="${bow(middle)}"/>`;
    }
    const named = sag.lines.map((mm, number) => ({ y: TOP + depth(mm), name: "line", words: `line ${number + 1}` }));
    if (sag.wanted) {
      named.push({ y: TOP + depth(sag.wanted), name: "wanted", words: "wanted" });
    }
    inner += levels(named);
    if (sag.measured !== null) {
      inner += `<path class="measured" d="${bow(depth(sag.measured))}"/><circle class="measured-dot" cx="${WIDE / 2}" cy="${TOP + depth(sag.measured)}" r="7"/>`;
    }
    inner += `<path class="frame" d="M8 ${TOP - 10}h${LEFT - 8}v20h-${LEFT - 8}zM${WIDE - 8} ${TOP - 10}h-${LEFT - 8}v20h${LEFT - 8}z"/>`;
    return `<svg viewBox="0 0 ${WIDE} ${TOP + DEEP + 16}" aria-hidden="true">${inner}</svg>`;
  };

  let drawn = "";
  pullcue.sag = (place, sag, card) => {
    if (!place) {
      return;
    }
    if (card) {
      card.hidden = !sag;
    }
    if (!sag) {
      place.replaceChildren();
      return;
    }
    const picture = drawing(sag);
    if (drawn !== picture || !place.firstChild) {
      drawn = picture;
      place.innerHTML = `${picture}<p></p>`;
    }
    pullcue.put(place.lastChild, sag.words.join(", "));
    const said = `Drop below the frame: ${sag.words.join(", ")}`;
    if (place.getAttribute("aria-label") !== said) {
      place.setAttribute("aria-label", said);
    }
  };
})();
