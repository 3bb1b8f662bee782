package roster

import (
	"encoding/base64"
	"fmt"
	"strings"

	"github.com/pelletier/go-toml/v2"
)

// Add returns a roster's text with one more person, everything else as it was
// typed.
func Add(text []byte, p Person) []byte {
	var b strings.Builder
	b.WriteString(strings.TrimRight(string(text), "\n"))
	if b.Len() > 0 {
		b.WriteString("\n\n")
	}
	var roles []string
	for _, r := range p.Roles {
		roles = append(roles, quote(string(r)))
	}
	fmt.Fprintf(&b, "[[person]]\nid = %s\nroles = [%s]\n", quote(p.ID), strings.Join(roles, ", "))
	for _, d := range []struct {
		key string
		day Day
	}{{"trained_until", p.TrainedUntil}, {"valid_until", p.ValidUntil}} {
		if !d.day.IsZero() {
			fmt.Fprintf(&b, "%s = %s\n", d.key, d.day)
		}
	}
	if p.Key != nil {
		fmt.Fprintf(&b, "key = %s\n", quote(base64.StdEncoding.EncodeToString(p.Key)))
	}
	return []byte(b.String())
}

// Revoke returns a roster's text in which nothing of the person counts from
// that day on.
func Revoke(text []byte, id string, from Day) ([]byte, error) {
	var t struct {
		Person []struct {
			ID string `toml:"id"`
		} `toml:"person"`
	}
	if err := toml.Unmarshal(text, &t); err != nil {
		return nil, fmt.Errorf("reading the roster: %w", err)
	}
	at := -1
	for i, p := range t.Person {
		if p.ID == id {
			at = i
		}
	}
	if at < 0 {
		return nil, fmt.Errorf("the roster has no %q", id)
	}
	var out strings.Builder
	table, inside, done := -1, false, false
	for line := range strings.Lines(string(text)) {
		bare := strings.TrimSpace(strings.SplitN(line, "#", 2)[0])
		if strings.HasPrefix(bare, "[") {
			if inside = strings.ReplaceAll(bare, " ", "") == "[[person]]"; inside {
				table++
			}
		}
		if key, _, ok := strings.Cut(bare, "="); ok && inside && table == at && strings.TrimSpace(key) == "revoked" {
			continue
		}
		out.WriteString(line)
		if inside && table == at && !done && strings.HasPrefix(bare, "[[") {
			if !strings.HasSuffix(line, "\n") {
				out.WriteByte('\n')
			}
			fmt.Fprintf(&out, "revoked = %s\n", from)
			done = true
		}
	}
	if !done {
		return nil, fmt.Errorf("write %s as a [[person]] table of its own, then revoke it", id)
	}
	return []byte(out.String()), nil
}

// ParseDay reads a date such as 2027-01-31; "" is none.
func ParseDay(text string) (Day, error) {
	if text == "" {
		return Day{}, nil
	}
	d, ok := readDay(text)
	if !ok {
		return d, fmt.Errorf("%q is no date: write one such as 2027-01-31", text)
	}
	return d, nil
}
