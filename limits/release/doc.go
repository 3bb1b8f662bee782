// Package release gives released files their identity: canonical bytes that
// do not depend on how the file was typed, the revision (SHA-256 of those
// bytes, in hex) that every record names, who wrote and approved it, why and
// from when, and ed25519 signatures over it (RFC 8032).
//
// The canonical form is TOML itself, one value a line, so an old revision
// stays readable: keys sorted, comments and white space gone, whole numbers
// without a point, times in UTC. The signatures are not part of it, the rest
// of the release table is: nobody can change the reason without a new
// revision. A number or a key written out or left to its default are two
// revisions, even where they mean the same.
//
// A person's [Key] is kept sealed under a passphrase. With it, that person
// signs whole files that are sent to a station ([Key.SignFile], [OpenSigned]).
//
// It does not read files (package limits/strict), does not know what they
// mean, and knows nobody: whoever verifies brings the [Keys]. A file without
// signatures is a document with Signed false; only [Document.Verify] sets it.
// Values are plain and may be shared once read.
package release
