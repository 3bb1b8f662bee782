// Package record is the schema of the station's log: what a record is, the
// kinds there are, and the one byte form of each.
//
// It stores nothing (package store does) and judges nothing. It is a schema
// for ever, so these rules hold:
//
//   - A record is deterministic CBOR (RFC 8949, section 4.2.1): a map with the
//     keys 1 version, 2 kind, 3 station, 4 generation, 5 sequence, 6 time
//     (RFC 3339 text, UTC, Z), 7 SHA-256 of the record before, 8 body. The hash
//     of a record is the SHA-256 of exactly these bytes.
//   - Kinds, and the integer keys of every map, are the numbers in the struct
//     tags and constants of this package. A number is never given another
//     meaning and never used again.
//   - A field or kind that is added takes a new number and says in which
//     version it came; a field is left out when it is empty. A record gets the
//     lowest version that can express it: old records keep their bytes, and
//     new ones that hold nothing new are read by old programs.
//   - A later program only adds: what is there keeps its meaning. So an older
//     one reads what it knows of a record, keeps all of its bytes, and says
//     that there is more ([Entry].Later); of a kind that it does not know, the
//     body is [Unknown]. The one byte form is held against the CBOR itself, so
//     that what is not known is proven like all else.
//   - Numbers are float64 in the unit that the field's name or its Unit says
//     (UCUM codes); NaN is "not known". Whole numbers are integers.
//
// [Decode] takes bytes from anywhere: memory is bounded by [MaxSize], and what
// is accepted encodes again to the same bytes, or is of a later program. Values are plain data and are
// owned by whoever made them; functions are safe for concurrent use. Errors
// say what was being done; a damaged or foreign record wraps [ErrMalformed].
package record
