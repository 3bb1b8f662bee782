// Package screen shows a station to the person who stands at it and takes
// what that person and the scanner enter.
//
// A screen draws snapshots (station.Snapshot) and decides nothing: what the
// hands do next, verdicts and texts come from package station; here they only
// get letters, colours and places. The picture is made from the hands
// outwards. Top, in block letters for eyes two metres away: what the hands do
// now, in two short lines. Below, side by side like the nests on the bench:
// what each nest does, or its verdict as word, border and colour. Then, for
// eyes that came closer: the whole sentence, the newest messages, the label
// being entered.
//
// [Run] draws on a terminal with full control of the cursor, [RunPlain] writes
// the same line by line. Both take snapshots from a [Mailbox], in which the
// newest wins, and hand entries to Options.Send from a goroutine of their own:
// neither a terminal that has stopped reading nor a busy station stops the
// other side. Sizes are terminal cells. Both return nil when the operator
// left or the station has closed, the context's error when it was cancelled,
// and what the terminal said otherwise.
//
// Not here: the station's rules, what a label must look like, the engineer's
// and the analyst's screens.
package screen
