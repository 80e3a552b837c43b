"use strict";
/* Where sound comes from. Each source is a script beside the page that hands over a sound file in
   base64: a page opened from disk may run scripts that lie beside it, but not read files. A source
   is loaded when it is first asked for; no more than MOST_READY stay in memory. */

const MOST_READY = 6;

class Sounds {
  /* `files`: {id: {script, lowered_db}}; `tiled`: ids that begin again where they end too early;
     `dropped` is told the id of what leaves memory. */
  constructor(files, seconds, rateHz, tiled, dropped) {
    this.files = files;
    this.frames = Math.round(seconds * rateHz);
    this.tiled = tiled;
    this.dropped = dropped;
    this.ready = new Map(); // id to buffer, the last used comes last
    this.coming = new Map(); // id to promise
    this.keep = new Set(); // ids that have to stay
  }

  isReady(id) {
    return this.ready.has(id);
  }

  /* Return a promise of the source's sound, as long as the song. */
  get(id, context) {
    const buffer = this.ready.get(id);
    if (buffer) {
      this.ready.delete(id);
      this.ready.set(id, buffer);
      return Promise.resolve(buffer);
    }
    if (!this.coming.has(id)) {
      this.coming.set(id, this.#load(id, context).finally(() => this.coming.delete(id)));
    }
    return this.coming.get(id);
  }

  async #load(id, context) {
    const bytes = decodedBase64(await scriptText(id, this.files[id].script));
    const buffer = this.#asLongAsTheSong(await context.decodeAudioData(bytes), id, context);
    this.ready.set(id, buffer);
    this.#makeRoom(id);
    return buffer;
  }

  #makeRoom(justCame) {
    for (const id of [...this.ready.keys()]) {
      if (this.ready.size <= MOST_READY) return;
      if (id === justCame || this.keep.has(id)) continue;
      this.ready.delete(id);
      this.dropped(id);
    }
  }

  /* All equally long: only then do loops keep them in step. */
  #asLongAsTheSong(sound, id, context) {
    if (sound.length === this.frames) return sound;
    const whole = context.createBuffer(sound.numberOfChannels, this.frames, sound.sampleRate);
    const step = this.tiled.has(id) ? sound.length : this.frames;
    for (let channel = 0; channel < sound.numberOfChannels; channel += 1) {
      const samples = sound.getChannelData(channel);
      for (let at = 0; at < this.frames; at += step) {
        whole.copyToChannel(samples.subarray(0, Math.min(samples.length, this.frames - at)), channel, at);
      }
    }
    return whole;
  }
}

const scriptsWaiting = new Map(); // id to what takes its text

/* What every sound's script calls. */
window.registerAudio = (id, base64) => scriptsWaiting.get(id)?.(base64);

function scriptText(id, path) {
  return new Promise((resolve, reject) => {
    const element = document.createElement("script");
    const done = () => {
      scriptsWaiting.delete(id);
      element.remove();
    };
    scriptsWaiting.set(id, (base64) => {
      resolve(base64);
      done();
    });
    element.addEventListener("error", () => {
      reject(new Error(`${path} can't be read; it has to stay beside this page`));
      done();
    });
    element.addEventListener("load", () => {
      if (!scriptsWaiting.has(id)) return;
      reject(new Error(`${path} holds another sound than this page expects`));
      done();
    });
    element.src = path;
    document.head.append(element);
  });
}

function decodedBase64(base64) {
  if (Uint8Array.fromBase64) return Uint8Array.fromBase64(base64).buffer;
  const text = atob(base64);
  const bytes = new Uint8Array(text.length);
  for (let i = 0; i < text.length; i += 1) bytes[i] = text.charCodeAt(i);
  return bytes.buffer;
}
