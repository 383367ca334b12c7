// The sound of the page at the oven: a pattern of tones for each state. A browser lets a page sound only after a click.
(function () {
  "use strict";
  const pullcue = window.pullcue_oven;
  // A tone swells and fades within this time, s: one that is cut off clicks. Loudness as of the program's own files.
  const EDGE = 0.008, LOUD = 0.7;
  const WORDS = { off: "Sound is off: turn it on", on: "Sound is on: mute", muted: "Muted: turn the sound on" };
  let context = null, again = null, key = null;

  const button = () => document.getElementById("oven-sound");
  const state = (name) => {
    const place = button();
    if (place) {
      place.dataset.sound = name;
      place.textContent = WORDS[name];
    }
    window.sessionStorage.setItem("pullcue_sound", name);
  };

  const play = (pattern) => {
    let from = context.currentTime + 0.02;
    for (const [hertz, long] of pattern.tones) {
      if (hertz > 0) {
        const tone = context.createOscillator(), gain = context.createGain();
        tone.frequency.value = hertz;
        gain.gain.setValueAtTime(0, from);
        gain.gain.linearRampToValueAtTime(LOUD, from + EDGE);
        gain.gain.setValueAtTime(LOUD, from + long - EDGE);
        gain.gain.linearRampToValueAtTime(0, from + long);
        tone.connect(gain).connect(context.destination);
        tone.start(from);
        tone.stop(from + long);
      }
      from += long;
    }
  };

  const sound = () => {
    window.clearInterval(again);
    again = null;
    const place = button();
    const pattern = pullcue.page && (pullcue.page.config.sounds[key] || (key === "not-live" ? pullcue.page.config.sounds["cannot-tell"] : null));
    if (!place || place.dataset.sound !== "on" || !context || !pattern) {
      return;
    }
    const once = () => {
      play(pattern);
      place.dataset.played = `${place.dataset.played ? `${place.dataset.played} ` : ""}${key}`.split(" ").slice(-40).join(" ");
    };
    once();
    if (pattern.again_s) {
      again = window.setInterval(once, 1000 * pattern.again_s);
    }
  };

  const allow = async () => {
    context = context || new AudioContext();
    await context.resume();
    state("on");
    sound();
  };

  pullcue.listeners.push((now) => {
    key = now;
    sound();
  });
  document.addEventListener("click", (event) => {
    const pressed = event.target.closest("#oven-sound");
    if (pressed && pressed.dataset.sound === "on") {
      state("muted");
      sound();
    } else if (pressed || (button() && window.sessionStorage.getItem("pullcue_sound") === "on" && !context)) {
      allow(); // after the page was drawn anew any click gives back the sound that was on
    }
  });
})();
