// Package roster is who works at a station: a released file of pseudonyms,
// roles, dates and keys, and beside it a file of badges, names and PIN
// verifiers that never leaves the computer.
//
// Only pseudonyms go on record. Deleting a person's line in the second file
// takes badge, name and PIN away and leaves the pseudonym. A PIN is kept as its
// verifier alone (argon2id, RFC 9106).
//
// A date holds to the end of that day where the site is. The package reads no
// clock. Values are plain and may be shared once read.
package roster
