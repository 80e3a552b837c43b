/* A comparison that hides which is which. Every round deals the sources out anew under letters; what
   was preferred is counted until the listener has it shown. */

const FEWEST_BLIND = 2;
const MOST_BLIND = MOST_READY; // all have to be in memory: waiting would tell

class BlindTest {
  constructor(ids) {
    this.ids = [...ids];
    this.rounds = 0;
    this.undecided = 0;
    this.heard = new Set(); // in this round
    this.preferred = new Map(this.ids.map((id) => [id, 0]));
    this.deal();
  }

  /* Deal the letters out. */
  deal() {
    this.heard.clear();
    this.order = [...this.ids];
    for (let i = this.order.length - 1; i > 0; i -= 1) {
      const j = randomBelow(i + 1);
      [this.order[i], this.order[j]] = [this.order[j], this.order[i]];
    }
  }

  get allHeard() {
    return this.heard.size === this.ids.length;
  }

  letterOf(id) {
    return String.fromCharCode(65 + this.order.indexOf(id));
  }

  /* Count a preference, or null for none, and begin another round. */
  prefer(id) {
    this.rounds += 1;
    if (id === null) this.undecided += 1;
    else this.preferred.set(id, this.preferred.get(id) + 1);
    this.deal();
  }

  /* How often tossing a coin would favour either of two at least as clearly, 0 to 1; null where it
     can't be said. Exact two-sided binomial test at one half. */
  chance() {
    const counts = [...this.preferred.values()];
    const tries = counts.reduce((sum, count) => sum + count, 0);
    if (counts.length !== 2 || tries === 0) return null;
    let [ways, below] = [1, 0];
    for (let k = 0; k <= Math.min(...counts); k += 1) {
      below += ways;
      ways = (ways * (tries - k)) / (k + 1);
    }
    return Math.min(1, (2 * below) / 2 ** tries);
  }
}

/* A whole number from 0 to below `count`, each as likely as the others. */
function randomBelow(count) {
  const drawn = new Uint32Array(1);
  const fair = 2 ** 32 - (2 ** 32 % count);
  do crypto.getRandomValues(drawn);
  while (drawn[0] >= fair);
  return drawn[0] % count;
}
