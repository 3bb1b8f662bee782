// Package whatif judges attempts again under other limits: what each bin would
// have held, which units would have gone elsewhere, what share of units would be
// accepted or rejected falsely, and what another guard factor costs and saves.
//
// It is pure: attempts come in column by column through [Rows], and zone values
// of a sample of records through [Unit]; it opens no file and knows no store. A
// [Trial] belongs to one goroutine, but that [Trial.Judge] may run in several.
//
// Many attempts are judged by their [Outline], which holds those that lie furthest
// out and says how far the rest reach: the answer is the same, and few numbers are
// looked at.
//
// # Judging again
//
// A row says what [limits.File.JudgeRow] says of it. An attempt that ended
// without a verdict of its limits keeps its bin: error and aborted, no answer,
// and a write that failed. A quantity that a limit demands and that was never
// measured, as after a failure that looser limits forgive, gives the bin
// "not measured", and makes the yield an interval: from all of them failing to
// all of them passing. Its value takes them to pass as often as those that were
// measured so far.
//
// # Risks
//
// Shares of all units, JCGM 106:2012, 9.5, for units as the chosen attempts are.
// The scatter of a quantity holds the units' own and the measurement's. Of a
// stated uncertainty the part that varies from unit to unit is taken out of it,
// nest by nest: what was found is drawn towards its nest's mean until its
// variance is the rest. The part that is common to a nest is in no scatter of
// that nest; it is integrated as a shift of all its units, and the nest with the
// largest risk is told. Where no variance is left the quantity is "not
// resolved": then every unit is taken to be the mean one, and the bound is that
// of scatter which is all the units' own.
//
// Quantities with zones are worked out from the zone values of a sample of
// records: the largest of many zones is high by itself, and cannot be undone in a
// row. Given the unit, zones are independent; so are quantities.
//
// Bounds hold 95 % of samples of so many units (as Wilson's of a share that
// scatters like that, three over n where nothing was seen), and reach to the
// bound of what is not resolved.
package whatif
