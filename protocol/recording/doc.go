// Package recording keeps what went over a line in a text file, and plays it
// back: to a unit in the station's place, or to a station in the unit's, so
// that an incident from the field becomes a test.
//
// It is not a log of what happened: bytes are kept as they came, damaged ones
// too, and nothing is judged.
//
// A file is UTF-8 text. Its first line is
//
//	panecal recording 1 2026-03-04T05:06:07Z
//
// with the time of its beginning. Every further line is one chunk of bytes as
// one read or write moved it: milliseconds since the beginning with three
// decimals, ">" from the station or "<" from the unit, and the bytes in
// hexadecimal with spaces between them. Empty lines and lines that begin with
// "#" say nothing. Times never go back.
//
//	1804.250 > 00 0E 84 02 1A DE AD BE EF 02 A0 09 2C 45 DA 00
//	1806.771 < 00 09 85 02 1A DE AD BE EF 02 07 A4 01 19 61 A8 02 02 03 02 04 05 BD 09 84 70 00
//
// A [Recorder] is safe for the concurrent use that its port is, a [Session]
// is not changed by playing it. Errors: [*SyntaxError] for a file that is no
// recording; a recorder never lets the line suffer from a disk that is full:
// [Recorder.Err] tells afterwards.
package recording
