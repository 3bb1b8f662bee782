// Package column keeps rows of numbers and names column by column, in a block
// of bytes that is made once and never changed: few bytes, and a reader of some
// columns reads no others.
//
// It gives the columns no meaning (package store does) and keeps no files. A
// block is
//
//	magic, frame of the directory, the packed columns one after the other
//
// where the directory (CBOR) says for what the block stands, how many rows it
// has, and of each column its name, type, place, length and CRC-32C. A column
// is packed with zstd: numbers byte by byte, all first bytes first; whole
// numbers as differences; names as the list of those that occur, and which.
// A column of nothing but NaN, zeros or empty names takes no bytes.
//
// Columns are found by name, so that a block says its own layout; who misses
// one makes the block anew. A [Builder] is used by one goroutine; a [Block] may
// be read by several. Bytes that are not what was written are an error that
// wraps [ErrDamaged]; memory is bounded by the rows that a block says and
// [MaxRows].
package column
