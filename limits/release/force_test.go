package release_test

import (
	"errors"
	"slices"
	"strings"
	"testing"
	"time"

	"example.org/panecal/limits/release"
)

func TestInForce(t *testing.T) {
	begin := time.Date(2024, 3, 1, 6, 0, 0, 0, time.UTC)
	end := begin.Add(24 * time.Hour)
	d := release.Document{Kind: "limits", Revision: "abcdef0123456789", Header: release.Header{Author: "4711", Effective: begin, Until: end}}
	for _, c := range []struct {
		at   time.Time
		want error
	}{
		{begin.Add(-1), release.ErrEarly}, {begin, nil}, {end.Add(-1), nil}, {end, release.ErrEnded}, {end.Add(time.Hour), release.ErrEnded},
	} {
		err := d.InForce(c.at)
		if !errors.Is(err, c.want) || c.want == nil && err != nil {
			t.Errorf("at %v: %v, want %v", c.at, err, c.want)
		}
		if err != nil && !(strings.Contains(err.Error(), "4711") && strings.Contains(err.Error(), "abcdef012345")) {
			t.Errorf("at %v: %v names neither person nor revision", c.at, err)
		}
	}
	if err := (&release.Document{}).InForce(begin); err != nil {
		t.Errorf("without times: %v", err)
	}
	for _, h := range []release.Header{{Author: "a", Effective: end, Until: begin}, {Author: "a", Effective: begin, Until: begin}} {
		if key, _, _ := h.Problem(); key != "until" {
			t.Errorf("%+v has no fault", h)
		}
	}
	if key, _, _ := d.Header.Problem(); key != "" {
		t.Errorf("a good header: %s", key)
	}
}

// What people typed stays, wherever the release stood; only the release is
// another.
func TestWithHeader(t *testing.T) {
	h := release.Header{Author: "4711", Approver: "4712", Reason: "say \"why\"", Signature: []release.Signature{{Person: "4711", Ed25519: "eA=="}}}
	table := "[release]\nauthor = \"4711\"\napprover = \"4712\"\nreason = \"say \\\"why\\\"\"\n\n[[release.signature]]\nperson = \"4711\"\ned25519 = \"eA==\"\n"
	for _, c := range []struct{ text, want string }{
		{"product = \"p\" # mine\n", "product = \"p\" # mine\n\n" + table},
		{"a = 1\n[release]\nauthor = \"x\"\n[[release.signature]]\nperson = \"x\"\n[b]\nc = 2\n", "a = 1\n[b]\nc = 2\n\n" + table},
		{"a = 1\n\n[ \"release\" ] # old\nreason = \"x\"\n# a remark\n\n[b]\n", "a = 1\n\n# a remark\n[b]\n\n" + table},
		{"a = \"\"\"\n[release]\nnot a table\n\"\"\"\n", "a = \"\"\"\n[release]\nnot a table\n\"\"\"\n\n" + table},
		{"[releases]\na = 1\n", "[releases]\na = 1\n\n" + table},
	} {
		got, err := release.WithHeader([]byte(c.text), h)
		if err != nil || string(got) != c.want {
			t.Errorf("%q: %v\n%s\nwant\n%s", c.text, err, got, c.want)
		}
		if again, err := release.WithHeader(got, h); err != nil || string(again) != c.want {
			t.Errorf("%q twice: %v\n%s", c.text, err, again)
		}
	}
	for _, text := range []string{"release = { author = \"x\" }\n", "release.author = \"x\"\n"} {
		if _, err := release.WithHeader([]byte(text), h); err == nil {
			t.Errorf("%q: no error", text)
		}
	}
}

func TestDiff(t *testing.T) {
	seal := func(content map[string]any) *release.Document {
		d, err := release.Seal("limits", content, release.Header{})
		if err != nil {
			t.Fatal(err)
		}
		return &d
	}
	old := seal(map[string]any{"a": int64(1), "limit": map[string]any{"leakage.max": map[string]any{"high": 0.5, "k": int64(2)}}, "x = y": "\" = \""})
	new := seal(map[string]any{"b": "new", "limit": map[string]any{"leakage.max": map[string]any{"high": 0.25, "k": int64(2)}}, "x = y": "\" = \""})
	want := []string{"a is gone; it was 1", "b is new: \"new\"", "limit.\"leakage.max\".high changes from 0.5 to 0.25"}
	if got := release.Diff(old, new); !slices.Equal(got, want) {
		t.Errorf("%q, want %q", got, want)
	}
	if got := release.Diff(old, old); got != nil {
		t.Errorf("against itself: %q", got)
	}
}
