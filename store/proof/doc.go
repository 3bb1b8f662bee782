// Package proof is what others can check of a station's log without the log.
//
// The hashes of the records are the leaves of a Merkle tree (RFC 6962): record
// n, counted from 1, is leaf n-1, and what is hashed is the record's SHA-256. A
// [Checkpoint] is the root of that tree at some size, signed by the station as
// a signed note (golang.org/x/mod/sumdb/note), so any program for transparency
// logs reads it. A [File] proves with one checkpoint that records are in the
// log, and with two that one log grew into the other.
//
// What a proof does not say: that the log holds no other record about the
// unit, and that what a record says was true when it was written. Who holds
// the station's key can sign another log; two checkpoints that contradict each
// other then tell on him.
//
// It computes only: no files, no clock. Values are plain; nothing is kept.
// Errors wrap [ErrProof] where a proof does not hold.
package proof
