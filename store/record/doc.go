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
//   - A field that is added takes a new key, is left out when it is empty, and
//     raises [Version]: old records keep their bytes. A record of a later
//     version decodes with an [Unknown] body, so that an older program can
//     still follow the chain and say what it cannot read.
//   - Numbers are float64 in the unit that the field's name or its Unit says
//     (UCUM codes); NaN is "not known". Whole numbers are integers.
//
// [Decode] takes bytes from anywhere: memory is bounded by [MaxSize], and what
// is accepted encodes again to the same bytes. Values are plain data and are
// owned by whoever made them; functions are safe for concurrent use. Errors
// say what was being done; a damaged or foreign record wraps [ErrMalformed].
package record
