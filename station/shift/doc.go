// Package shift is what people do at a station: they sign on and off, say on
// what they work, leave messages and hand labels over.
//
// What a person enters at a screen goes to a [Shift], what it says back is a
// [Reply] or a [Page]: codes with arguments, which package station/screen
// draws. Labels are handed over through an [Intake], which brings the files of a
// label's product into force first.
//
// The package decides nothing about a unit and keeps nothing itself: what must
// last goes through [Station.Append], which settles whether it is durable.
// Nobody is told that something is on record before it is. Times are UTC on
// record, those of the station's clock on a hand-over.
package shift
