// Package survey finds what the units of a product share, from captures of a
// few of them: the pulse, the size of the zones' directions, and base values
// with their spread over units. It is what a product file is made from when
// nobody has written one.
//
// It reads no file, speaks to no unit and judges none. Times in ps, distances
// in mm, rates in counts per shot; each number has a standard uncertainty.
// Everything is pure and deterministic, and safe for concurrent use. Errors
// wrap [ErrSurvey] and say what to do about it.
//
// # Pulse
//
// The bins are wider than the steps of the table: finer ones come from zones,
// distances and units whose returns fall at other places within a bin. All
// captures are fitted together by scoring steps: the logarithm of the density
// at each step, a width for each unit, a delay, a rate and an ambient for each
// zone of each capture. The logarithm keeps the density above zero. Smoothing is a penalty: ten times the
// integral of the squared third derivative of that logarithm, time in units of the
// pulse's sd. A Gaussian core and an exponential tail do not pay it. What it may hide is in the uncertainty, beside
// what leaving units out one by one changes.
// Counts scatter more than by chance, because widths of bins differ: that
// scatter is found by the same fit.
//
// Leakage and target are one pulse, each with what is its own: the leakage's
// paths differ in length, the target's light comes a little late by other
// paths, and from all over a zone.
package survey
