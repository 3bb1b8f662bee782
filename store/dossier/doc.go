// Package dossier is the report about one unit that goes to somebody else: as one
// HTML file that needs nothing but itself, and as JSON with everything.
//
// It states what the log says and how far the log itself can be trusted: the result
// of its check, who remembers it, the hash of every record, and the proofs that the
// unit's records are in it. The HTML file carries the proofs as data that
// `panecal log verify` reads ([ProofIn]). The page has no script and no link to
// another file, is printed on A4, reads in grey, and says in tables what its
// pictures show.
//
// It computes no measurement and judges nothing. A log that is damaged is no error:
// it is what the dossier then reports. Values are plain data.
package dossier
