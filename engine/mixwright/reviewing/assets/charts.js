/* The charts along the song follow what is played, and take the player to where they are clicked.
   All they say stands in words and tables too, so none of this is needed to read the page. */

const clock = (seconds, decimals = 1) => {
  const units = 10 ** decimals;
  const all = Math.round(Math.max(0, seconds) * units);
  const rest = ((all % (60 * units)) / units).toFixed(decimals);
  return `${Math.floor(all / (60 * units))}:${rest.padStart(decimals ? 3 + decimals : 2, "0")}`;
};

const figure = (value) => {
  if (value === null || value === undefined) return "-";
  const text = value.toFixed(1);
  return text === "-0.0" ? "0.0" : text;
};

class Charts {
  constructor(data, player) {
    this.data = data;
    this.player = player;
    this.along = document.getElementById("along");
    this.plots = [...document.querySelectorAll("#along .plot")];
    this.readings = [...document.querySelectorAll("[data-series]")];
    for (const plot of this.plots) {
      plot.addEventListener("click", (event) => player.seek(this.#momentOf(event, plot)));
      plot.addEventListener("pointermove", (event) => this.#read(this.#momentOf(event, plot)));
      plot.addEventListener("pointerleave", () => this.show());
    }
  }

  #momentOf(event, plot) {
    const box = plot.getBoundingClientRect();
    return Math.min(1, Math.max(0, (event.clientX - box.left) / box.width)) * this.data.seconds;
  }

  /* Put the playhead, the loop and the readings where the player is. */
  show() {
    const at = this.player.position;
    const root = this.along.style; // not the whole page: all of it would be styled anew
    root.setProperty("--played", `${(100 * at) / this.data.seconds}%`);
    const loop = this.player.loop;
    root.setProperty("--loop-start", `${loop ? (100 * loop.start) / this.data.seconds : 0}%`);
    root.setProperty("--loop-end", `${loop ? (100 * loop.end) / this.data.seconds : 0}%`);
    this.#read(at);
  }

  #read(at) {
    const timeline = this.data.timeline;
    for (const reading of this.readings) {
      const series = timeline[reading.dataset.series];
      const value = series[Math.min(series.length - 1, Math.round(at / timeline.hop_s))];
      reading.textContent = `${clock(at)}: ${figure(value)} ${reading.dataset.unit}`;
    }
  }
}
