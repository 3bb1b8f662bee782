package protocol

import _ "embed"

//go:embed SPEC.md
var specification string

// Specification returns the text of SPEC.md as this program was built with
// it, so that a conformance report quotes the clauses that it tried.
func Specification() string { return specification }
