// Package capture is the measurement model's face to files: it reads a
// capture file (panecal.capture/1, JSON), has package estimate compute it, and
// writes the result (panecal.estimate/1, JSON). It computes nothing itself.
//
// Units: mm, ps, degrees, Cel; rates in counts per shot. A number that was not
// computed is null in JSON and NaN here. Unknown keys of a file are ignored;
// whatever else is wrong with it is an [Error] that names the place. A capture
// that is at fault is no error: the result lists its faults.
//
// A file may come from anywhere: it is refused, and soon, where it is longer
// than 64 MiB, a list in it longer than 131,072 entries, a number larger than
// 1e30, or a key there twice. Memory stays below a few hundred MiB whatever
// the file holds.
package capture
