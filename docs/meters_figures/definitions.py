"""What each figure is, in which unit, and who says so: no results here.

An entry is a line ``names in JSON | name in the terminal | unit | source`` and its text below.
"""

from __future__ import annotations

from meters_figures.tables import table

HEAD = """
# The meters

Made by `python docs/make_meters_page.py`; don't edit it by hand. What is measured on this page
was measured when the script ran. It says how right the meters are, not how a mix ought to read.

`mixwright measure` gives these figures of a sound file, or of a sheet's mix and each of its
tracks, groups and returns; `--by-section` gives them of every section too. The terminal shows the
most useful ones; `--json` has all of them under the names below, with the `kind` and `name` of
what was measured and its `section`; `--csv` has those of levels and loudness, the slope and the
octaves.

Definitions come first, then what was checked. A tolerance is the source's where it names one for
the check, and ours otherwise.

**Units.** dBFS, and dB where a level is meant, are re amplitude 1.0, the largest an integer file
can hold: a full-scale sine peaks at 0 dBFS, and its RMS level is -3.01. (AES17-2015, 3.13, calls
that RMS level 0 dBFS.) dBTP is the same for true peaks. LUFS is loudness by ITU-R BS.1770,
elsewhere written LKFS; differences of it are in LU, 1 LU being 1 dB.

**`silent` and `-`.** A level of nothing is `silent`: digital silence. `-` means that there is no
such figure: for integrated loudness a sound none of which passes the gates, too short a sound
(under 400 ms for loudness, under 3 s for short-term loudness and what is made of it), no programme
in it, a ratio of silence to silence, the stereo figures of a mono file. A ratio to nothing is
`+inf` or `-inf`: all sides and no middle, no sides at all, all lost in mono. The table of a file or
a mix leaves out lines that have no figure. JSON has `null` for all of these; CSV has an empty cell,
and `inf` or `-inf` for a ratio. A name that begins like a formula has an apostrophe before it in
CSV.

*Programme* below is what passes the gates of EBU Tech 3342: pauses and fading tails don't count.
"""

SOUND = """
start_s, seconds | - | s | our choice
  Where what was measured begins and how long it is. The ends of a section are taken to the
  nearest 10 ms, and its gates and windows begin with it, as if it had been cut out: only the
  filters still have in them what came before.
sample_peak_dbfs, sample_peak_s | sample peak | dBFS, s | common practice
  The largest sample of all channels, and where it is.
true_peak_dbtp, true_peak_s | true peak | dBTP, s | ITU-R BS.1770-5, Annex 2; crests: our choice
  The largest value of the wave between samples too: four times oversampled, by longer filters
  than the example printed there (which allows better ones), with a parabola through each crest.
  Never below the sample peak. Silence is taken to lie on either side of the sound.
clipped_runs, clipped_samples, longest_clip | clipped | - | our choice
  How often three or more equal samples follow one another within a 16-bit step of full scale or
  beyond; how many samples that are, and how many the longest run has.
dc, dc_dbfs | DC offset | amplitude, dBFS | common practice
  The mean of each channel, as it is and as a level. The terminal has it in per cent of full
  scale.
rms_dbfs | RMS | dBFS | common practice
  The root of the mean square of all samples of all channels together.
crest_db | crest factor | dB | common practice
  Sample peak over RMS.
integrated_lufs | integrated loudness | LUFS | ITU-R BS.1770-5, Annex 1, eqs. 2 to 7
  K-weighted mean squares, summed over channels, of blocks of 400 ms every 100 ms that exceed -70
  LUFS and then the loudness of these less 10 LU. Only whole blocks count.
momentary_max_lufs, momentary_max_s | loudest momentary | LUFS, s | EBU Tech 3341 (v4), 2.2
  The loudest 400 ms, without gates, and when they begin; looked for every 10 ms.
short_term_max_lufs, short_term_max_s | loudest short-term | LUFS, s | EBU Tech 3341 (v4), 2.2
  The loudest 3 s, without gates, and when they begin; looked for every 10 ms.
loudness_range_lu | loudness range, LRA | LU | EBU Tech 3342 (v4), 3.1 and 5
  From the 10th to the 95th percentile of the short-term loudness of programme, every 100 ms, by
  nearest rank, after 1.5 s of silence put behind the sound. Of less than a minute it is not
  steady (EBU Tech 3341, 2.4).
plr_lu | peak to loudness | LU | EBU Tech 3343 (2023), 9.3, for the term
  True peak over integrated loudness.
psr_lu, psr_min_lu | peak to short-term | LU | e-Brief 373, AES 143, 2017, for the term
  True peak over short-term loudness of the same 3 s of programme, every 100 ms: the median says
  how dense the whole is, the least how dense it gets. To sum it up in these two is our choice.
correlation | correlation | 1 | common practice
  Of left and right: Σ L·R / √(Σ L²·Σ R²), from 1, both sides alike, to -1, one upside down.
worst_correlation, worst_correlation_s | worst correlation | 1, s | our choice
  The least correlation of 3 s of programme in which both sides play, and when they begin. Shorter
  windows find fault with any wide reverb.
side_to_mid_db | side to mid, s/m | dB | common practice
  The power of (L-R)/2 over that of (L+R)/2. Two equal channels are `-inf`.
mono_loss_lu | mono loses | LU | our choice
  Integrated loudness with (L+R)/2 on both sides less that of the stereo, each with gates of its
  own. The terminal has it with the opposite sign, as what is lost.
"""

SPECTRUM = """
seconds | - | s | our choice
  How much sound the spectrum is of. The first and the last third of a second of a section fade in
  and out.
total_db | - | dB | ITU-R BS.1770-5 for adding channels
  Mean power, added over channels as loudness is: a full-scale sine is -3.01 in one channel and
  0.00 in both.
third_octave_db | - | dB | IEC 61260-1:2014, base ten
  That power by third-octave bands, 25 Hz to 20 kHz; `third_octaves_hz` names them. Bands above
  half the sample rate are left out.
octave_db | level dB | dB | IEC 61260-1:2014, base ten
  The same by octave bands, 31.5 Hz to 16 kHz, each the sum of three thirds; `octaves_hz` names
  them.
below_db, above_db | - | dB | our choice
  What lies below the lowest third-octave band, DC included, and above the highest.
slope_db_per_octave | spectral slope | dB/octave | common practice; the range: our choice
  Least-squares slope of the power density over the octaves from 63 Hz to 8 kHz: white noise has
  0, pink noise -3.01.
correlation, side_to_mid_db | - | 1, dB | common practice
  As above, from the spectrum. One channel counts as left and right alike.
octave_correlation, octave_side_to_mid_db | side to mid dB | 1, dB | common practice
  The same in each octave band: how wide lows, middles and highs are.
"""

SILENCE = """
seconds | - | s | common practice
  How long the sound is.
head_s, tail_s | silence before, after | s | common practice; threshold and steps: our choice
  How long no sample of any channel exceeds -60 dBFS at the beginning and at the end, in steps of
  10 ms. A silent sound is all of both.
digital_silence | - | share, 0 to 1 | our choice
  How much of the sound is in steps of 10 ms in which every sample is zero.
noise_floor_dbfs | noise floor | dBFS | after L90, ISO 1996-1:2016, 3.1.3
  The RMS level over 400 ms, all channels together, that is exceeded nine tenths of the time,
  unweighted. Digital silence is left out; a sound without pauses reads its quiet passages.
"""

OF_A_SHEET = """
section, integrated_lufs, claimed | loudest section | LUFS | our choice
  The section that is loudest when only gain and pan are there, and the one that the sheet claims.
file, section, mix, reference | - | - | our choice
  With `--against-references`: which stretch of the mix is compared with which file, and all
  figures of both. Without a section named in the sheet it is the loudest 15 s.
gain_db | brought to it by | dB | ITU-R BS.1770-5 for loudness
  What brings the reference to the loudness of the mix, over what is compared.
spectrum, crest_db, loudness_range_lu, plr_lu | difference | dB, LU | our choice
  Mix less reference at that equal loudness. `spectrum` has its own `gain_db`, the same with the
  opposite sign: the gain on the mix; then `total_db`, `third_octave_db`, `octave_db`,
  `slope_db_per_octave`, `side_to_mid_db` and `octave_side_to_mid_db`.
"""

CHAPTERS = (
    ("Levels, loudness, stereo: `sound`", SOUND),
    ("Tone and width by band: `spectrum`", SPECTRUM),
    ("Silence and noise: `silence`, of whole sounds only", SILENCE),
    ("Of a sheet: `loudest_section`, `references`", OF_A_SHEET),
)


def rows(entries: str) -> list[list[str]]:
    """Return the cells of each entry: names, what it is, unit, source."""
    found: list[list[str]] = []
    for line in entries.strip().splitlines():
        if line.startswith("  "):
            found[-1][1] = f"{found[-1][1]} {line.strip()}".lstrip()
            continue
        names, shown, unit, source = (part.strip() for part in line.split(" | "))
        keys = ", ".join(f"`{name}`" for name in names.split(", "))
        found.append([keys if shown == "-" else f"**{shown}** {keys}", "", unit, source])
    return found


def chapter() -> str:
    """Return the definitions."""
    parts = [HEAD.lstrip()]
    for title, entries in CHAPTERS:
        parts.append(f"## {title}\n")
        parts.append(table(("figure", "what it is", "unit", "source"), rows(entries)))
    return "\n".join(parts)
