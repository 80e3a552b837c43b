/* The page in use: buttons, keys, what is shown while it plays. */

const STEP_S = 5;
const SAID_MS = 8000;
const LOOP_AROUND_S = 2; // around a moment that has no end of its own

class Page {
  constructor(data) {
    this.data = data;
    this.blind = null;
    this.player = new Player(data, () => this.show());
    this.charts = new Charts(data, this.player);
    this.took = false; // the press of a key that is ours also when it is let go
    this.#listen();
    this.show();
    const tick = matchMedia("(prefers-reduced-motion: reduce)").matches ? 1000 : 50;
    setInterval(() => this.player.playing && this.#follow(), tick);
  }

  find(id) {
    return document.getElementById(id);
  }

  #listen() {
    const on = (id, type, act) => this.find(id)?.addEventListener(type, act);
    on("play", "click", () => this.toggle());
    on("position", "input", (event) => this.player.seek(Number(event.target.value)));
    on("level", "input", (event) => this.player.setLevel(Number(event.target.value)));
    on("loop", "change", (event) => this.chooseLoop(event.target.value));
    on("blind-start", "click", () => this.startBlind());
    on("blind-prefer", "click", () => this.prefer(this.player.chosen));
    on("blind-neither", "click", () => this.prefer(null));
    on("blind-end", "click", () => this.endBlind());
    on("help-open", "click", () => this.find("help").showModal());
    on("help-close", "click", () => this.find("help").close());
    document.addEventListener("click", (event) => this.#clicked(event.target));
    document.addEventListener("keydown", (event) => this.#pressed(event));
    document.addEventListener("keyup", (event) => {
      // A button acts on a space that is let go: not on one that started the player.
      if (event.key === " " && this.took) event.preventDefault();
      this.took = false;
    });
  }

  #clicked(target) {
    const button = target.closest("[data-source], [data-letter], [data-at]");
    if (!button) return;
    const { source, letter, at, until } = button.dataset;
    if (source !== undefined) this.player.choose(source);
    else if (letter !== undefined) this.player.choose(this.blind.order[Number(letter)]);
    else if (button.dataset.loop !== undefined) this.loopAround(Number(at), until);
    else this.player.seek(Number(at));
  }

  /* ---- keys ---- */

  #pressed(event) {
    if (event.ctrlKey || event.metaKey || event.altKey || !this.find("keys").checked) return;
    if (this.find("help").open || this.#isBusy(event)) return;
    const act = this.#actOf(event.key);
    if (!act) return;
    event.preventDefault();
    this.took = event.key === " ";
    act();
  }

  /* Whether the key belongs to what has the focus: arrows to a slider, letters to a list, the space
     bar to a button that was reached by keyboard. */
  #isBusy(event) {
    const focus = document.activeElement;
    if (focus.matches("select, textarea, input:not([type=range], [type=checkbox])")) return true;
    if (focus.matches("input[type=range]") && event.key.startsWith("Arrow")) return true;
    const pressable = "button, a, summary, input[type=checkbox]";
    return event.key === " " && focus.matches(pressable) && focus.matches(":focus-visible");
  }

  #actOf(key) {
    if (/^[1-9]$/.test(key)) return () => this.#chooseNumber(Number(key) - 1);
    const acts = {
      " ": () => this.toggle(),
      ArrowLeft: () => this.step(-STEP_S),
      ArrowRight: () => this.step(STEP_S),
      "-": () => this.player.setLevel(this.player.levelDb - 1),
      "+": () => this.player.setLevel(this.player.levelDb + 1),
      l: () => this.toggleLoop(),
      b: () => (this.blind ? this.endBlind() : this.startBlind()),
      p: () => this.blind && this.prefer(this.player.chosen),
      n: () => this.blind && this.prefer(null),
      "?": () => this.find("help").showModal(),
    };
    return acts[key.length === 1 ? key.toLowerCase() : key];
  }

  #chooseNumber(index) {
    const id = this.blind ? this.blind.order[index] : this.data.sources[index]?.id;
    if (id) this.player.choose(id);
  }

  /* ---- playing ---- */

  toggle() {
    return this.player.playing ? this.player.pause() : this.player.play();
  }

  /* A few seconds on or back, without leaving a loop. */
  step(seconds) {
    const loop = this.player.loop;
    const [least, most] = loop ? [loop.start, loop.end - 0.01] : [0, this.data.seconds];
    this.player.seek(Math.min(most, Math.max(least, this.player.position + seconds)));
  }

  sectionAt(at) {
    return this.data.sections.find((section) => section.start_s <= at && at < section.end_s);
  }

  toggleLoop() {
    const section = this.player.loop ? null : this.sectionAt(this.player.position);
    this.player.setLoop(section ? this.#loopOf(section) : null);
  }

  #loopOf(section) {
    return { start: section.start_s, end: section.end_s, name: section.name };
  }

  chooseLoop(value) {
    if (value === "part") return;
    const section = this.data.sections[Number(value)];
    this.player.setLoop(value === "" ? null : this.#loopOf(section));
  }

  loopAround(at, until) {
    const end = until ? Number(until) : at + LOOP_AROUND_S;
    const start = until ? at : Math.max(0, at - LOOP_AROUND_S);
    this.player.setLoop({ start, end, name: `${clock(start)} to ${clock(end)}` });
  }

  /* ---- blind ---- */

  async startBlind() {
    const boxes = document.querySelectorAll("[name=blind-source]:checked");
    const ids = [...boxes].map((box) => box.value);
    if (ids.length < FEWEST_BLIND || ids.length > MOST_BLIND) {
      this.say(`choose from ${FEWEST_BLIND} to ${MOST_BLIND} sources to compare`);
      this.find("blind").open = true;
      return;
    }
    this.say("loading all of them first, so that waiting does not tell which is which");
    this.player.sounds.keep = new Set(ids);
    try {
      await this.player.load(ids);
    } catch (error) {
      this.say(error.message);
      return;
    }
    this.blind = new BlindTest(ids);
    this.find("blind-result").hidden = true;
    this.find("blind").open = true;
    this.#nextRound();
  }

  /* Silence, then the first letter from where the round began: what simply played on would be
     known under its new letter. */
  async #nextRound() {
    const wasPlaying = this.player.playing;
    this.player.pause();
    this.player.seek(this.player.loop ? this.player.loop.start : this.roundStart ?? this.player.position);
    this.roundStart = this.player.position;
    await this.player.choose(this.blind.order[0]);
    if (!this.blind) return;
    this.say(`round ${this.blind.rounds + 1}: the letters are dealt out anew`);
    if (wasPlaying) setTimeout(() => this.blind && this.player.play(), 600);
  }

  prefer(id) {
    if (!this.blind.allHeard) {
      this.say("listen to every letter first");
      return;
    }
    this.blind.prefer(id);
    this.#nextRound();
  }

  endBlind() {
    const test = this.blind;
    [this.blind, this.roundStart] = [null, undefined];
    this.player.sounds.keep = new Set();
    this.#showResult(test);
    this.say("blind comparison ended, names are shown again");
    this.show();
  }

  #showResult(test) {
    const rows = [...test.preferred].sort((one, other) => other[1] - one[1]);
    const body = this.find("blind-rows");
    body.replaceChildren(
      ...rows.map(([id, count]) => {
        const row = document.createElement("tr");
        const [name, times] = [document.createElement("th"), document.createElement("td")];
        name.scope = "row";
        name.textContent = this.player.sources.get(id).label;
        times.textContent = count;
        row.append(name, times);
        return row;
      }),
    );
    const said = [`${test.rounds} ${test.rounds === 1 ? "round" : "rounds"}`];
    if (test.undecided) said.push(`${test.undecided} without a preference`);
    const chance = test.chance();
    const words = chance === null ? "" : ` Tossing a coin would come out at least as clear in ${Math.round(100 * chance)} % of tries.`;
    this.find("blind-words").textContent = `${said.join(", ")}.${words}`;
    this.find("blind-result").hidden = test.rounds === 0;
  }

  /* ---- what is shown ---- */

  /* Say something in the bar, for a while unless it is to stay. */
  say(words, stays = false) {
    clearTimeout(this.silence);
    this.find("status").textContent = words;
    if (!stays) this.silence = setTimeout(() => this.say("", true), SAID_MS);
  }

  show() {
    const { player, blind } = this;
    document.body.classList.toggle("is-blind", blind !== null);
    document.body.classList.toggle("is-playing", player.playing);
    document.body.classList.toggle("is-looping", player.loop !== null);
    this.find("play").textContent = player.playing ? "Pause" : "Play";
    this.#showSources();
    this.#showBlind();
    this.#showHeard();
    const level = `${player.levelDb} dB`;
    this.find("level").value = player.levelDb;
    this.find("level").setAttribute("aria-valuetext", level);
    this.find("level-text").textContent = level;
    this.#showLoop();
    const loading = "loading, until then the last one is heard";
    if (player.fault) this.say(player.fault, true);
    else if (player.wanted !== player.chosen) this.say(loading, true);
    else if (this.find("status").textContent === loading) this.say("", true);
    this.#follow();
  }

  #showSources() {
    for (const button of document.querySelectorAll("[data-source]")) {
      const id = button.dataset.source;
      const pressed = id === this.player.wanted;
      const isNew = pressed && button.getAttribute("aria-pressed") !== "true";
      button.setAttribute("aria-pressed", String(pressed));
      // On a phone the row of the bar scrolls.
      if (isNew && button.closest(".bar")) button.scrollIntoView({ block: "nearest", inline: "nearest" });
    }
    for (const cell of document.querySelectorAll("[data-ready]")) {
      const ready = this.player.sounds.isReady(cell.dataset.ready);
      cell.textContent = ready ? "in memory" : "loads when chosen";
    }
  }

  #showBlind() {
    const { player, blind } = this;
    for (const part of document.querySelectorAll("[data-named]")) part.hidden = blind !== null;
    for (const part of document.querySelectorAll("[data-blind]")) part.hidden = blind === null;
    const letters = this.find("letters");
    const wanted = blind ? blind.order.length : 0;
    // Made anew only when there are more or fewer: a letter keeps the focus.
    if (letters.children.length !== wanted) letters.replaceChildren(...letterButtons(wanted));
    if (!blind) return;
    if (player.playing && player.wanted === player.chosen) blind.heard.add(player.chosen);
    this.find("blind-count").textContent = `round ${blind.rounds + 1}`;
    this.find("blind-heard").textContent = blind.letterOf(player.chosen);
    for (const [index, button] of [...letters.children].entries()) {
      button.setAttribute("aria-pressed", String(blind.order[index] === player.wanted));
    }
  }

  #showHeard() {
    const { player, blind } = this;
    const source = player.sources.get(player.chosen);
    const name = blind ? blind.letterOf(source.id) : source.label;
    const gain = blind ? "gain hidden" : `matched by ${figure(source.gain_db)} dB`;
    this.find("heard-name").textContent = name;
    this.find("heard-gain").textContent = gain;
  }

  #showLoop() {
    const { loop } = this.player;
    const list = this.find("loop");
    const part = list.querySelector("[value=part]");
    const index = this.data.sections.findIndex(
      (section) => loop && section.start_s === loop.start && section.name === loop.name,
    );
    part.hidden = !loop || index >= 0;
    part.textContent = part.hidden ? "" : loop.name;
    list.value = !loop ? "" : index >= 0 ? String(index) : "part";
  }

  /* What changes while it plays. */
  #follow() {
    const at = this.player.position;
    const section = this.sectionAt(at);
    const moment = `${clock(at)} of ${clock(this.data.seconds)}`;
    this.find("moment").textContent = moment;
    this.find("section").textContent = section ? section.name : "";
    const slider = this.find("position");
    slider.value = at;
    slider.setAttribute("aria-valuetext", section ? `${moment}, ${section.name}` : moment);
    for (const label of document.querySelectorAll(".sections button")) {
      const inside = section !== undefined && Number(label.dataset.at) === section.start_s;
      if (inside) label.setAttribute("aria-current", "true");
      else label.removeAttribute("aria-current");
    }
    this.charts.show();
  }
}

function letterButtons(count) {
  return Array.from({ length: count }, (_, index) => {
    const button = document.createElement("button");
    button.type = "button";
    button.dataset.letter = index;
    button.textContent = String.fromCharCode(65 + index);
    button.setAttribute("aria-label", `listen to ${button.textContent}`);
    return button;
  });
}

window.mixwrightReview = new Page(JSON.parse(document.getElementById("review").textContent));
