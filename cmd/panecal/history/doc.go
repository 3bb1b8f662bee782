// Package history writes the log of a station that never was: as many attempts
// as are asked for, over so many days, with lots, shifts, nests, operators,
// drifts, steps, bad lots, retests, rework, check units, holds and releases.
// The records are such as a station writes, judged by the limits of the files
// in force, and each of them says that it is simulated. Desks, benchmarks and
// outside checks run on it; no station goes on with it.
//
// It is not for trying the station itself: only the last attempts that are
// asked for come from simulated units, over the protocol, through the
// estimator, with raw captures. All others are numbers drawn from the
// population below. Everything is invented.
//
// Random numbers follow from the seed, times from the day of the end: the same
// options give the same bytes. One goroutine uses a history; the store packs
// and writes behind it.
//
// # Population
//
// What a unit truly is: mean ± standard deviation from unit to unit, and from
// zone to zone of one unit. What the station finds: that, with a normal error
// of standard uncertainty u, own to the attempt, and one of the size common,
// alike for all attempts in a nest and drawn once. Of relative ones, u grows
// with the root of what is counted; it is told at the mean.
//
//	hopper-54
//	  leakage.max              0.003 ± 0.15 of the mean, zones ± 0.07, u 5.3e-05, common 0
//	  ambient.max            0.00012 ± 0.1 of the mean, zones ± 0.02, u 9e-07, common 0
//	  signal.min               0.145 ± 0.04 of the mean, zones ± 0.025, u 0.00028, common 0
//	  verify.error                 0 ± 0.1, zones ± 0.1, u 0.21, common 0
//	  leakage.late             0.075 ± 0.003, zones ± 0, u 0.0013, common 0
//	  leakage.distance           8.3 ± 5, zones ± 0, u 0.105, common 0
//	  leakage.change               1 ± 0.01, zones ± 0, u 0.0035, common 0
//	  pulse.width                620 ± 12, zones ± 0, u 1.4, common 0
//	  pulse.misfit                 0 ± 0, zones ± 0, u 0.01, common 0
//	  stray.significance         3.5 ± 0.3, zones ± 0, u 1, common 0
//	  offset.mean                5.2 ± 4.9, zones ± 0, u 0.38, common 0.24
//	  offset.spread             0.86 ± 0.02, zones ± 0, u 0.083, common 0
//	  offset.uncertainty         0.5 ± 0.025, zones ± 0, u -, common 0
//	  seat.tilt                    0 ± 0.14, zones ± 0, u 0.09, common 0
//	  estimator.difference     -0.09 ± 0.08, zones ± 0, u 0.037, common 0
//	  range.error_projected        0 ± 0.001, zones ± 0, u -, common 0
//	  temperature                 24 ± 0.8, zones ± 0, u 0.3, common 0
//	  target.misfit              0.9 ± 0.05, zones ± 0, u -, common 0
//	hopper-1
//	  leakage.max             0.0036 ± 0.22 of the mean, zones ± 0, u 0.0002, common 0
//	  ambient.max             0.0002 ± 0.13 of the mean, zones ± 0, u 1.8e-06, common 0
//	  verify.error                 0 ± 0.3, zones ± 0, u 1.2, common 0
//	  leakage.distance            44 ± 5, zones ± 0, u 44, common 0
//	  offset.mean               20.4 ± 4.9, zones ± 0, u 0.84, common 0.23
//	  offset.uncertainty        0.87 ± 0.07, zones ± 0, u -, common 0
//	  range.error_projected      -39 ± 8.5, zones ± 0, u -, common 0
//	  temperature                 24 ± 0.8, zones ± 0, u 0.3, common 0
//
// Leakage grows from left to right by 0.3 of its mean, signal falls with
// (1+u²)^(-7/2) from the middle. seat.tilt is the size of what is drawn.
// leakage.total, the two balances, rate.max and signal.ratio follow from the
// zones. The temperature follows the hour too, ± 1.2 K.
//
// # What is planted
//
//	fingerprint     1.8 % of new units, 8 % of those wiped: leakage 2.2 to 5.2 times
//	not_seated      0.8 %: tilt 1.1 to 3.6 degrees more, the target up to 4 mm off
//	hand_in_field   0.6 %: no good target capture, outcome error
//	operator_skips  0.12 %: outcome aborted
//	unit_silent     0.05 %: no answer
//	weak_emitter    0.4 %: signal 0.2 to 0.4 times
//	dead_zones      0.2 %: up to 3 zones count nothing
//	window_lot      the 4th, 11th, 18th … lot of windows: light on one side, slope + 0.08 ± 0.04
//	gasket_lot      the 3rd, 9th, 15th … lot of gaskets: leakage 1.7 ± 0.3 times
//	emitter_lot     the 2nd, 7th, 12th … lot of emitters: signal 0.8 times, pulse 24 ps wider
//	nest_step       the 2nd nest, from 40 % to 55 % of the time: its target 1.2 mm off
//	nest_drift      the 3rd nest, from the middle on: its target creeps to 1.5 mm off
package history
