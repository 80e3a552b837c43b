/* One clock for all sources: everything that is in memory plays all the time, from one start, and
   all but the chosen one at gain nought. To switch is to cross two gains over; nothing restarts. */

const RAMP_S = 0.008; // short enough to feel instant, long enough not to click
const AHEAD_S = 0.03; // so that all can be told to start before they have to
const START_LEVEL_DB = -18;
const MOST_LEVEL_DB = 0;
const LEAST_LEVEL_DB = -60;

const gainOf = (db) => 10 ** (db / 20);

/* A gain that crosses over in RAMP_S from wherever it is. */
class Ramp {
  constructor(context, target) {
    this.context = context;
    this.node = context.createGain();
    this.node.gain.value = 0;
    this.node.connect(target);
    [this.from, this.to, this.startS] = [0, 0, 0];
  }

  valueAt(timeS) {
    const share = Math.min(1, Math.max(0, (timeS - this.startS) / RAMP_S));
    return this.from + (this.to - this.from) * share;
  }

  go(to, whenS = this.context.currentTime) {
    const from = this.valueAt(whenS);
    [this.from, this.to, this.startS] = [from, to, whenS];
    const gain = this.node.gain;
    gain.cancelScheduledValues(whenS);
    gain.setValueAtTime(from, whenS);
    gain.linearRampToValueAtTime(to, whenS + RAMP_S);
  }
}

class Player {
  /* `data` is the page's; `changed` is called whenever there is something new to show. */
  constructor(data, changed) {
    this.data = data;
    this.changed = changed;
    this.sources = new Map(data.sources.map((source) => [source.id, source]));
    this.chosen = data.sources[0].id; // what is heard, or will be
    this.wanted = this.chosen; // what is on its way
    this.levelDb = START_LEVEL_DB;
    this.loop = null; // {start, end, name} in seconds
    this.playing = false;
    this.fault = "";
    this.voices = new Map(); // id to {node, ramp} of what runs
    this.offsetS = 0; // where the song was at startS
    this.startS = 0;
    const references = data.sources.filter((source) => source.kind === "reference");
    this.sounds = new Sounds(
      data.sounds,
      data.seconds,
      data.rate_hz,
      new Set(references.map((source) => source.id)),
      (id) => this.#end(id),
    );
  }

  /* The moment of the song that is heard, in seconds. */
  get position() {
    return this.playing ? this.#positionAt(this.context.currentTime) : this.offsetS;
  }

  #positionAt(timeS) {
    const at = this.offsetS + Math.max(0, timeS - this.startS);
    if (this.loop && at >= this.loop.end) {
      return this.loop.start + ((at - this.loop.start) % (this.loop.end - this.loop.start));
    }
    return Math.min(at, this.data.seconds);
  }

  /* What a source is multiplied by, apart from the listening level: its matching gain, and what
     its file was written lower by. */
  gainOfSource(id) {
    return gainOf(this.sources.get(id).gain_db + this.data.sounds[id].lowered_db);
  }

  /* Sound may only begin where somebody has asked for it: called from what the listener does. */
  #open() {
    if (this.context) return;
    this.context = new AudioContext({ sampleRate: this.data.rate_hz, latencyHint: "interactive" });
    this.output = this.context.createGain();
    this.output.gain.value = gainOf(this.levelDb);
    this.output.connect(this.context.destination);
  }

  /* Never above what was delivered. */
  setLevel(db) {
    this.levelDb = Math.min(MOST_LEVEL_DB, Math.max(LEAST_LEVEL_DB, db));
    this.output?.gain.setTargetAtTime(gainOf(this.levelDb), this.context.currentTime, RAMP_S);
    this.changed();
  }

  /* Have sources in memory, all of them at once. */
  async load(ids) {
    this.#open();
    for (const id of ids) await this.#ready(id);
  }

  async #ready(id) {
    await this.sounds.get(id, this.context);
    if (this.playing && !this.voices.has(id)) this.#begin(id, this.#soon());
  }

  /* Listen to another source; if it is not in memory yet, the last one is heard until it is. */
  async choose(id) {
    this.#open();
    this.wanted = id;
    this.fault = "";
    this.changed();
    try {
      await this.#ready(id);
    } catch (error) {
      if (this.wanted === id) this.wanted = this.chosen;
      this.#failed(error);
      return;
    }
    if (this.wanted !== id) return; // something else was chosen meanwhile
    this.chosen = id;
    // Not before it runs: the last one would be gone and this one not there yet.
    const whenS = Math.max(this.context.currentTime, this.voices.get(id)?.startS ?? 0);
    for (const [other, voice] of this.voices) voice.ramp.go(this.#heard(other), whenS);
    this.changed();
  }

  #heard(id) {
    return id === this.chosen ? this.gainOfSource(id) : 0;
  }

  async play() {
    this.#open();
    this.fault = "";
    try {
      await this.context.resume();
      await this.#ready(this.wanted);
    } catch (error) {
      this.#failed(error);
      return;
    }
    if (this.playing) return;
    this.chosen = this.wanted;
    this.#restart(this.offsetS);
    this.changed();
  }

  pause() {
    this.offsetS = this.position;
    this.playing = false;
    for (const id of [...this.voices.keys()]) this.#end(id);
    this.changed();
  }

  /* Go to a moment. Outside the loop there is no loop any more. */
  seek(seconds) {
    const at = Math.min(this.data.seconds, Math.max(0, seconds));
    if (this.loop && (at < this.loop.start || at >= this.loop.end)) this.loop = null;
    if (this.playing) this.#restart(at);
    else this.offsetS = at;
    this.changed();
  }

  /* Play a part over and over, {start, end, name}; null for no loop. */
  setLoop(loop) {
    const at = this.position;
    this.loop = loop && { ...loop, end: Math.min(loop.end, this.data.seconds) };
    const inside = !loop || (at >= loop.start && at < loop.end);
    if (this.playing) this.#restart(inside ? at : loop.start);
    else if (!inside) this.offsetS = loop.start;
    this.changed();
  }

  #restart(offsetS) {
    for (const id of [...this.voices.keys()]) this.#end(id);
    const whenS = this.#soon();
    this.offsetS = this.#wholeFrames(offsetS);
    this.startS = whenS;
    this.playing = true;
    for (const id of this.sounds.ready.keys()) this.#begin(id, whenS);
  }

  #soon() {
    return this.#wholeFrames(this.context.currentTime + AHEAD_S);
  }

  /* Between two frames a source would be interpolated, and no longer be what was delivered. */
  #wholeFrames(seconds) {
    const rateHz = this.context.sampleRate;
    return Math.round(seconds * rateHz) / rateHz;
  }

  #begin(id, whenS) {
    const node = this.context.createBufferSource();
    node.buffer = this.sounds.ready.get(id);
    if (this.loop) {
      [node.loop, node.loopStart, node.loopEnd] = [true, this.loop.start, this.loop.end];
    }
    const ramp = new Ramp(this.context, this.output);
    node.connect(ramp.node);
    const voice = { node, ramp, startS: whenS };
    node.addEventListener("ended", () => this.#ended(id, voice));
    node.start(whenS, this.#wholeFrames(this.#positionAt(whenS)));
    ramp.go(this.#heard(id), whenS);
    this.voices.set(id, voice);
  }

  #end(id) {
    const voice = this.voices.get(id);
    if (!voice) return;
    this.voices.delete(id);
    voice.ramp.go(0);
    voice.node.stop(this.context.currentTime + RAMP_S);
  }

  #ended(id, voice) {
    voice.ramp.node.disconnect();
    if (this.voices.get(id) !== voice) return;
    this.voices.delete(id);
    if (id !== this.chosen) return;
    this.pause();
    this.offsetS = 0;
    this.changed();
  }

  #failed(error) {
    this.fault = error.message;
    this.changed();
  }
}
