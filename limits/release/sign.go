package release

import (
	"bytes"
	"crypto/ed25519"
	"encoding/base64"
	"errors"
	"fmt"
	"strings"
	"time"
)

// Sign gives the person's signature over a document.
func (k Key) Sign(d *Document) Signature {
	return Signature{Person: k.Person, Ed25519: base64.StdEncoding.EncodeToString(ed25519.Sign(k.private, d.Message()))}
}

// WithHeader returns a file's text with another release table, everything else
// as it was typed. The table stands at the end. A release that is not written
// as tables of its own is an error.
func WithHeader(text []byte, h Header) ([]byte, error) {
	var kept bytes.Buffer
	inside := false
	multi := "" // the quotes of a string of several lines that is open
	for line := range strings.Lines(string(text)) {
		trimmed := strings.TrimSpace(line)
		if multi == "" && strings.HasPrefix(trimmed, "[") {
			name := strings.Trim(strings.SplitN(trimmed, "#", 2)[0], "[] \t\"'")
			inside = name == "release" || strings.HasPrefix(name, "release.")
		}
		if multi == "" && !inside && (strings.HasPrefix(trimmed, "release ") || strings.HasPrefix(trimmed, "release=") || strings.HasPrefix(trimmed, "release.")) {
			return nil, errors.New("write the release as a table of its own, [release], then sign it")
		}
		if inside && trimmed != "" && strings.HasPrefix(trimmed, "#") {
			kept.WriteString(line) // people's words are kept
			continue
		}
		for _, quotes := range []string{`"""`, `'''`} {
			if strings.Count(line, quotes)%2 == 1 && (multi == "" || multi == quotes) {
				if multi == "" {
					multi = quotes
				} else {
					multi = ""
				}
			}
		}
		if !inside {
			kept.WriteString(line)
		}
	}
	out := bytes.TrimRight(kept.Bytes(), "\n")
	return append(append(out, '\n', '\n'), h.table()...), nil
}

// table is the header as it stands in a file.
func (h Header) table() []byte {
	var b bytes.Buffer
	b.WriteString("[release]\n")
	for _, s := range []struct{ key, value string }{{"author", h.Author}, {"approver", h.Approver}, {"reason", h.Reason}} {
		if s.value != "" {
			fmt.Fprintf(&b, "%s = %s\n", s.key, quote(s.value))
		}
	}
	for _, t := range []struct {
		key string
		at  time.Time
	}{{"effective", h.Effective}, {"until", h.Until}} {
		if !t.at.IsZero() {
			fmt.Fprintf(&b, "%s = %s\n", t.key, t.at.UTC().Format(time.RFC3339Nano))
		}
	}
	for _, s := range h.Signature {
		fmt.Fprintf(&b, "\n[[release.signature]]\nperson = %s\ned25519 = %s\n", quote(s.Person), quote(s.Ed25519))
	}
	return b.Bytes()
}
