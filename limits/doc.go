// Package limits reads limits files and judges units by them: which measured
// quantities must lie where, and into which bin a unit goes that does not.
//
// A limits file names per quantity the specification limits low and high in
// the quantity's own unit (a UCUM code), the guard factor k and the soft bin
// of each side. A unit is accepted where value + k·u ≤ high and value − k·u ≥
// low: guarded acceptance of JCGM 106:2012, 8.3; k = 0 is simple acceptance.
// A quantity with one value a zone is held at the largest value + k·u and the
// smallest value − k·u over its zones, which need not be the zones of the
// largest and smallest value. Every limit is judged; of the soft bins so
// reached the one of the smallest priority number holds. A quantity that was
// not measured fails, unless its limit says optional.
//
// Soft bins say why, hard bins say where the unit physically goes,
// dispositions (release, rework, hold, scrap) what happens with it. Some bins
// are reached without a limit, see the reserved names such as [NoAnswer];
// each has a default that a file may replace.
//
// Probabilities of conformity take the value as normal with its standard
// uncertainty and no prior knowledge (JCGM 106:2012, 7.2); expected shares of
// false decisions take a prior, see [Risk].
//
// The package neither measures nor signs: quantities are defined in
// limits/quantity, revisions in limits/release. A [File] is immutable after
// [Read] and safe for concurrent use. Mistakes in a file are strict.Faults.
package limits
