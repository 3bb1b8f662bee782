// Package cause ranks what may be wrong with a unit, from what an attempt
// measured of it and from what its population is like.
//
// It judges no unit and reads no log: who asks gives the [Evidence] of an
// attempt and the [Population] that it is held against, and gets a [Ranking].
//
// # Method
//
// Bayes' rule over the causes of [Codes]. Evidence becomes some twenty
// [Finding]s, each a difference to the population's median: level, slopes and
// evenness of the leakage over the zones, where it appears, signal, ambient,
// pulse, changes within an attempt, seat, neighbours, constants. Their
// likelihoods come from a table (likelihoods.csv) of simulated units: window
// optics of package window, photons, and the estimator of the station. Each
// cause has bands of severity; a band gives every finding a mean and a standard
// deviation, and Student's t with a few degrees of freedom holds them together
// with one correlation for all. What the real population spreads more than the
// simulated one widens every band. A finding that is not known takes no part.
//
// Priors are those of [Prior]; they are a choice, not a measurement. What the
// table knows is simulated: it has seen no real fault.
//
// # Experiments
//
// Where no cause stands out, the ranking names the [Experiment] that is
// expected to tell most. An experiment undoes some causes: if one of those was
// it, what it spoiled comes back to what the population is like; if not, it
// stays as it was, but for the noise of a repetition. [Read] says
// which.
//
// Values: rates in counts per shot, mm, ps, degrees; NaN is not known.
// Everything is a plain value and every function pure; safe for concurrent
// use.
package cause
