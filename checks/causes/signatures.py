"""What each cause does to the chain, as a formula: the forward model that the evidence is held against. Data, by cause id.

Numbers are those of one conveyor: range 0 to 420 t/h, K = 1052 t/h per neper, 5200 counts/s on the empty belt, background 60.
"""

from __future__ import annotations

import re

SYMBOLS: tuple[tuple[str, str], ...] = (
    ("F, M_g", "flow [t/h] and total [t] that the gauge reports"),
    ("P, M_p", "flow [t/h] and total [t] in the PLC"),
    ("E, A, X", "current meant by the gauge, on the wire, and as the card reads it [mA]"),
    ("R", "raw counts of the input card"),
    ("lo, hi, S", "flow at 4 mA, at 20 mA, and hi - lo [t/h]; index g gauge, p PLC"),
    ("C, B, N, N0", "gross count rate, background, net rate, net rate of the empty belt [1/s]"),
    ("K", "flow per unit of ln(N0/N) [t/h]; 3.6 times load per attenuation times speed"),
    ("v, u", "belt speed that the gauge uses [m/s], speed or running bit of the drive"),
    ("T", "temperature of the detector [degC]; k its effect on counts [1/K]"),
    ("lambda", "decay constant of the source [1/d]; t time since the last tare [d]"),
)
"""Letters of the formulas."""

SIGNATURES: dict[str, str] = {
    # ranges
    "upper-range": "P = lo + (F - lo) (hi_p - lo)/(hi_g - lo) [t/h]; right at 4 mA, off by a share of the flow above it; E = A = X.",
    "lower-range": "P - F = (lo_p - lo_g)(hi - F)/(hi - lo_g) [t/h]; largest at 4 mA, zero at 20 mA.",
    "wrong-variable": "A follows the load F/(3.6 v) [kg/m] or a slower average: P = c F/v, so that P/F changes with the belt speed v.",
    "over-range": "P = min(F, hi), at most 433 t/h at 20.5 mA; only peaks are lost, always to one side.",
    "output-trim": "A = 4 + g (E - 4) + d [mA] with both ranges alike; right at 4 mA where d = 0, F and digital output untouched.",
    "digital-analogue-differ": "E is made of another variable than F: other damping, unit or cut-off; in multi-drop A = 4.000 mA while F lives.",
    # units
    "ton-unit": "P = 1.10231 F (short tons) or 0.98421 F (long tons), crossing at 0 t/h; or the same factor between totals only.",
    "time-base": "P = c F with c = 3.6, 60, 1/60, 1000 or a power of ten, crossing at 0 t/h; totals by the same factor.",
    "wet-dry-basis": "M_g/M_ref = 1/(1 - w) with w the moisture [1]; +2.04 % at 2 %; or (1 - w) the other way, and twice where taken off twice.",
    "double-scaling": "Screen = a + b P with P right at the block: 1.25 P - 0.25 hi where 4 to 20 mA is scaled again, 0.238 P for % taken as t/h.",
    # loop
    "current-leak": "A = g E, g = R_leak/(R_leak + R_loop); P = g F - (1 - g) S/4 [t/h]; lines cross at 0 mA; 20 kohm over 250 ohm: 4 -> 3.951 mA.",
    "current-leak-in": "A = (E + U/R_leak)/(1 + R_loop/R_leak) [mA]: high at the low end, crossing at U/R_loop, 53 to 96 mA.",
    "current-offset": "A = E + d [mA], the same d at every load; P = F + d S/16; 0.08 mA is 2.1 t/h.",
    "compliance-ceiling": "A = min(E, (U - U_min)/R_loop) [mA]: 17.5 V, 10 V and 450 ohm give 16.67 mA = 332 t/h and no more.",
    "open-loop": "A = X = 0 mA, P = lo - S/4 = -105 t/h or clamped to 0, while F goes on; below 3.6 mA by NE 43.",
    "output-frozen": "A = A_0 within 0.002 mA while F moves by several sigma (3 to 4 t/h at damping 10 s), so that A - E mirrors -F.",
    # card and block
    "live-zero-mix": "P = 0.8 F + 0.2 hi (84 t/h on the empty belt) or P = 1.25 F - 0.25 hi [t/h]; both right at 20 mA.",
    "raw-span": "P = lo + S (R - R_lo)/(R_hi - R_lo) [t/h] with wrong R_lo or R_hi: any slope and offset, R itself right; stairs in whole numbers.",
    "square-root": "P = hi (F/hi)^0.5 [t/h]: 40 -> 130, 260 -> 330; right only at 0 and 20 mA; squared the other way round.",
    "zero-clamp": "P = max(P, 0): on the empty belt mean P = 0.40 sigma = +1.3 t/h with median 0, while F averages 0.",
    "low-cutoff": "P = 0 for F < c [t/h] at one end only: trickle is lost, 2 % of span is 8.4 t/h.",
    "extra-filter": "P = F behind exp(-t/tau) [s]: slope 1 behind the lag, P - F = -tau dF/dt; slopes of single samples read 1 to 10 % low.",
    "averaging-differs": "P(t) = mean of F over the last T [s]: lag T/2, a step ends hard after T; no steady error.",
    "wrong-channel": "P = flow of another belt, or constant: correlation of P with F near 0, with the twin near 1.",
    "burnout-value": "R = 32767 or -32768 at a broken wire: P = +498 or -498 t/h with good quality.",
    "raw-overflow": "R read without sign: -1 -> 65535, -4864 -> 60672 = 922 t/h; only below 4 mA, so spikes on the empty belt.",
    # tags
    "word-order": "F = float of swapped words: 260.3 t/h -> 8.0e-16 or 1e23; swapped integers are multiples of 65536.",
    "register-offset": "F holds halves of two neighbours, or the next quantity: F = 38.0 where the load is 38 kg/m (260 t/h).",
    "wrong-type": "F = 10 F or F/10, 65535 or -1 for no value, jumps of 65536 where two words are read apart; P right.",
    # counts
    "zero-counts": "C = 0 for longer than 20.7/B seconds (chance 1e-9): not even background; F pegs high, because ln(N0/N) has no end.",
    "shutter-closed": "C = B + b m with the belt running (60 1/s and the gammas of the product); F pegs high.",
    "shutter-contradiction": "closed bit = 1 and C > B + b m + 6 sqrt((B + b m)/t) [1/s].",
    "counts-frozen": "variance of C/mean of C = 0 where chance alone gives 1 (C/(2 tau) behind a filter), and a run of equal values.",
    "counts-noisy": "C = C_true + bursts: variance/mean > 1.5 with the belt standing; F = -K dN/N, low or negative.",
    "detector-drift": "ln N_empty = -(lambda + d) t with d > 0: F = F + K d t, 10.5 t/h per 1 % of gain, at every load.",
    "dead-time": "N = C/(1 - C t_d): error 0 on the empty belt, -1.8 t/h per us at 420 t/h, bent in between.",
    "source-weak": "sigma_F = K sqrt(C/(2 tau))/N [t/h]: noise grows with 1/sqrt(C), mean untouched.",
    "source-changed": "N0 true/N0 set jumps: F = -K ln of it, -355 t/h for 5140 -> 7200; with the old date -K lambda age.",
    "shutter-part-open": "N = x N from one shutter operation on: F up by -K ln x, 21 t/h for 2 %, 111 t/h for 10 %.",
    "light-leak": "C = C + c(t) [1/s] by daylight: F low by K c/N, at once with the sun, gone under a dark cloth.",
    "neighbour-source": "C = C + a q(t), q the neighbour's open shutter or empty belt: +20 1/s is -4.1 to -6.1 t/h.",
    # decay
    "decay-off": "F = F + K lambda t: +2.0 t/h a month for Cs-137 on empty and loaded belt alike; back to 0 at each tare.",
    "decay-double": "F = F - K lambda t, -2.0 t/h a month for Cs-137, where the gauge does it twice; P = exp(-lambda t) F where the PLC does.",
    "nuclide-or-clock": "F = F + K (lambda_true - lambda_set) t: -2.2 t/h a week for Co-60 set on Cs-137; a clock set back steps F up.",
    "decay-in-steps": "F = F + K lambda (t - t_step): a saw-tooth of 0.066 t/h a day or 2.0 t/h a month, back with the calendar; no fault.",
    # tare and belt
    "stale-tare": "F = F + O [t/h], O = K mu dm, the same at every load: 1 mm of rubber worn is -7.9 t/h; a step or slow.",
    "build-up": "F = F + 6.84 t/h per kg/m2, rising over shifts and gone at a wash.",
    "tare-loaded": "F = F - 6.84 m_left [t/h] from the tare on: 2 kg/m2 left is -13.7 t/h; empties read negative.",
    "background": "N = C - B with B off by b: F = -K b/N, -6.1 t/h empty and -9.1 t/h full for b = 30 1/s.",
    "product-gammas": "C = C + b m: F low by K b m/N, -14.8 t/h at 260 t/h for b = 1.5 1/s per kg/m; only with that product.",
    "tare-standing": "N0 of one spot of the belt: O = +-3.9 t/h for +-0.5 mm; stored in t/h it scales with v/v_tare.",
    "auto-zero-creep": "N0 set follows N_empty by itself: F = 0 on the empty belt always, loaded readings low, no tare by hand.",
    "wet-belt": "F = F + 7.8 t/h per mm of water, on empty and loaded belt, for minutes to hours.",
    "belt-wander": "N = N + (share beside the beam) N0: F low, with the period L/v of one turn of the belt.",
    "detector-temperature": "N = N (1 + k (T - T_0)): -0.05 %/K over 20 K is +10.6 t/h at every load, with hours of lag.",
    # calibration
    "calibration-factor": "F = (1 + e) F_true at every load, zero untouched; both ends alike: M_g/M_ref = 1 + e at every lot.",
    "load-shape": "F = F_true - a F_true^2: half the width gives -12 % at 260 t/h and -19 % at 420 t/h; M_g/M_ref falls with the load.",
    "factor-twice": "M_g/M_ref = f after the entry, f the last correction, 1/f before it: f^2 from lot to lot; or P = f F.",
    "undocumented-change": "P = O_1 + G_1 F before, O_2 + G_2 F [t/h] after one minute, with no event of the process beside it.",
    # speed
    "belt-slip": "F = F_true v/v_true: 3 mm of cake on a radius of 160 mm is v/v_true = 0.982, F -1.8 % at every load.",
    "fixed-speed": "F = F_true v_set/v_true, v constant while u moves: 10 % of drive is 10 % of F.",
    "speed-held": "u = 0, v = v_last > 0, F constant > 0: F t/3600 tonnes that never moved, 108 t for 25 min at 260 t/h.",
    "tach-lost": "v = 0 with u > 0 and C moving with the load: F = 0, A = 4 mA.",
    "tach-extra-pulses": "v = n v_true, n = 2 or in bursts: F and P high by the same factor.",
    "hold-on-stop": "u = 0, v = 0, F = F_last > 0 to the bit: the total goes on.",
    # totals
    "total-time-base": "dM_p = c int P dt, c = 0.98 to 0.99 for a timer that loses its scan, 60 for a minute taken as an hour.",
    "total-precision": "dM_p = steps rounded to 2^-24 of M_p: +8 % from 16384 t, stands at 131072 t with steps of 0.1 s.",
    "total-discontinuity": "dM_p/dt < 0 or > 1.2 hi [t/h]: reset (M_p = 0), rollover (M_p near 2^16, 10^6 or 2^32 before), old value, lost pulses.",
    "total-gating": "dM_p = int P g dt/3600, g = 0 or 1 by state: the difference grows only in gated states.",
    "counted-twice": "dM_p = 2 int P dt/3600 exactly, or > 0 while the belt runs backwards.",
    # communication
    "stale-tag": "value(t) = value(t_0) to the bit for more than 6 tau while other tags move; time stamps go on.",
    "gateway-zeros": "C = F = M_g = T = 0 in the same poll; a dead detector gives F high and T normal.",
    "clock-shift": "P(t) = F(t - d): d of whole hours is a zone, of seconds a skew; a day of 23 or 25 h.",
    "controller-switch": "M_p(t) = M_p(t_0) or another slope P = G F [t/h] from the switch of the redundant controller on: what it last held.",
    # people
    "forced-value": "P = constant [t/h] while X and F live; M_p grows by P t.",
    "mode-left-on": "E = constant [mA], or F = that of a test mass, while the mode bit is set longer than the permit.",
}
"""The formula of each cause with units; every cause of the catalogue has one."""


def letters_in(signature: str) -> dict[str, str]:
    """The letters that a formula uses, with their meaning."""
    used = set(re.findall(r"[A-Za-z]+(?:_[a-z]+)?0?", re.sub(r"\[[^\]]*\]", "", signature)))
    used |= {name.partition("_")[0] for name in used if name.partition("_")[2] in ("g", "p", "true", "hi", "lo")}
    return {letters: meaning for letters, meaning in SYMBOLS if used & set(re.split(r", | and ", letters))}
