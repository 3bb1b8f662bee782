package roster

import (
	"crypto/ed25519"
	"encoding/base64"
	"fmt"
	"strings"
	"testing"
	"time"
)

// TestRead: dates in each form people write them, and mistakes with a place
// and a mend.
func TestRead(t *testing.T) {
	public, _, err := ed25519.GenerateKey(nil)
	if err != nil {
		t.Fatal(err)
	}
	key := base64.StdEncoding.EncodeToString(public)
	r, err := Read("roster.toml", fmt.Appendf(nil, `
[[person]]
id = "p1"
roles = ["operator", "lead"]
trained_until = 2027-01-31
valid_until = "2027-06-30"
[[person]]
id = "p2"
roles = ["engineer"]
revoked = true
key = %q
[[person]]
id = "p3"
roles = ["maintenance"]
revoked = 2027-03-01T00:00:00Z
key = %q
`, key, key))
	if err != nil {
		t.Fatal(err)
	}
	noon := time.Date(2027, 1, 31, 12, 0, 0, 0, time.UTC)
	p1, _ := r.Person("p1")
	p3, _ := r.Person("p3")
	if !p1.Has(Lead) || p1.Has(Engineer, Maintenance) || !p1.Trained(noon, time.UTC) || p1.Trained(noon.AddDate(0, 0, 1), time.UTC) {
		t.Errorf("%+v", p1)
	}
	if !p3.Valid(noon, time.UTC) || p3.Valid(noon.AddDate(0, 2, 0), time.UTC) {
		t.Errorf("%+v", p3)
	}
	if len(r.Keys(noon, time.UTC, Engineer)) != 0 || len(r.Keys(noon, time.UTC)) != 1 {
		t.Errorf("a revoked key counts: %v", r.Keys(noon, time.UTC))
	}
	for text, want := range map[string]string{
		"[[person]]\nid = \"A. Weber\"\nroles = []":                                            ":2:",
		"[[person]]\nid = \"p1\"\nroles = [\"boss\"]":                                          ":3:",
		"[[person]]\nid = \"p1\"\nroles = []\n[[person]]\nid = \"p1\"\nroles = []":             "here twice",
		"[[person]]\nid = \"p1\"\nroles = []\ntrained_until = \"soon\"":                        "trained_until = 2027-01-31",
		"[[person]]\nid = \"p1\"\nroles = []\nvalid_until = true":                              "valid_until",
		"[[person]]\nid = \"p1\"\nroles = []\nkey = \"AAAA\"":                                  "panecal key show",
		"[[person]]\nid = \"p1\"\nroles = []\nbadge = \"4711\"":                                "badge",
		"[[person]]\nroles = []":                                                               "pseudonym",
		"[release]\nauthor = \"\"\napprover = \"p1\"\n[[person]]\nid = \"p1\"\nroles = []":     "no author",
		"[release]\nauthor = \"p1\"\napprover = \"p1\"\n[[person]]\nid = \"p1\"\nroles = [  ]": "same person",
	} {
		if _, err := Read("roster.toml", []byte(text)); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%s: %v, want %q", text, err, want)
		}
	}
}

// TestDayEndsWithTheSite: a date is over when the day ends where the site is,
// on days of 23 and of 25 hours too (clocks of central Europe change on
// 2027-03-28 and 2027-10-31: the last Sundays of these months, Directive
// 2000/84/EC).
func TestDayEndsWithTheSite(t *testing.T) {
	site, err := time.LoadLocation("Europe/Berlin")
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		day   Day
		end   string
		hours float64
	}{{Day{2027, 3, 28}, "2027-03-28T22:00:00Z", 23}, {Day{2027, 10, 31}, "2027-10-31T23:00:00Z", 25}, {Day{2027, 12, 31}, "2027-12-31T23:00:00Z", 24}} {
		end := c.day.End(site)
		begin := time.Date(c.day.year, time.Month(c.day.month), c.day.day, 0, 0, 0, 0, site)
		if got := end.UTC().Format(time.RFC3339); got != c.end || end.Sub(begin).Hours() != c.hours {
			t.Errorf("%v ends %s after %v", c.day, got, end.Sub(begin))
		}
		if c.day.Over(end.Add(-1), site) || !c.day.Over(end, site) || c.day.Left(end.Add(-1), site) != 0 || c.day.Left(end, site) != -1 {
			t.Errorf("%v: over %v %v, left %d %d", c.day, c.day.Over(end.Add(-1), site), c.day.Over(end, site), c.day.Left(end.Add(-1), site), c.day.Left(end, site))
		}
		if left := c.day.Left(begin.AddDate(0, 0, -30), site); left != 30 {
			t.Errorf("%v: %d days left, want 30", c.day, left)
		}
	}
}

// TestVerifier: against the reference implementation's own test of argon2id
// (2 passes, 256 KiB, 1 lane, "password", "somesalt"; from memory), and our own.
func TestVerifier(t *testing.T) {
	const reference = "$argon2id$v=19$m=256,t=2,p=1$c29tZXNhbHQ$nf65EOgLrQMR/uIPnA4rEsF5h7TKyQwu9U1bMCHGi/4"
	if !Verifier(reference).Fits("password") || Verifier(reference).Fits("passwore") {
		t.Error("the reference's verifier is not understood")
	}
	v, err := newVerifier("493716", 1, 64, 1)
	if err != nil || !v.Fits("493716") || v.Fits("493717") || strings.Contains(string(v), "493716") {
		t.Errorf("%s, %v", v, err)
	}
	if w, _ := newVerifier("493716", 1, 64, 1); w == v {
		t.Error("no salt")
	}
	for _, pin := range []string{"", "12345", "1234567", "12345a", "111111", "123456", "987654", "٣٤٥٦٧٨"} {
		if _, err := NewVerifier(pin); err == nil {
			t.Errorf("%q is taken", pin)
		}
	}
	for _, bad := range []Verifier{"", "x", "$argon2id$v=19$m=999999999,t=2,p=1$c29tZXNhbHQ$nf65EOgLrQMR/uIPnA4rEsF5h7TKyQwu9U1bMCHGi/4",
		"$argon2id$v=19$m=256,t=0,p=1$c29tZXNhbHQ$nf65EOgLrQMR/uIPnA4rEsF5h7TKyQwu9U1bMCHGi/4", "$argon2i$v=19$m=256,t=2,p=1$c29tZXNhbHQ$nf65EOgLrQMR/uIPnA4rEsF5h7TKyQwu9U1bMCHGi/4",
		"$argon2id$v=19$m=256,t=2,p=1$c29tZXNhbHQ$"} {
		if bad.Fits("password") || bad.Fits("") {
			t.Errorf("%s fits", bad)
		}
	}
}

// TestPeople: the file comes back as it was written, its mistakes name no
// badge, and deleting a line leaves nobody's badge.
func TestPeople(t *testing.T) {
	pin, err := newVerifier("493716", 1, 64, 1)
	if err != nil {
		t.Fatal(err)
	}
	var p People
	p.Put(Badge{ID: "p1", Name: "A \"B\" Ä", Text: "4711", PIN: pin})
	p.Put(Badge{ID: "p2", Text: "4712"})
	p.Put(Badge{ID: "p2", Text: "4713"})
	again, err := ReadPeople(PeopleFile, p.File())
	if err != nil || len(again.list) != 2 || again.list[0] != p.list[0] || again.list[1].Text != "4713" {
		t.Fatalf("%v\n%s", err, p.File())
	}
	r, err := Read("roster.toml", []byte("[[person]]\nid = \"p1\"\nroles = [\"lead\"]\n"))
	if err != nil {
		t.Fatal(err)
	}
	b := Book{r, again, time.UTC}
	if who, ok := b.Badge(" 4711 "); !ok || who.ID != "p1" || !b.Allows("p1", "493716") || b.Allows("p1", "493715") || b.Allows("p2", "493716") {
		t.Error("badge or PIN of p1")
	}
	if _, ok := b.Badge("4713"); ok {
		t.Error("a badge of nobody in the roster counts")
	}
	for _, text := range []string{"[[person]]\nid = \"a\"\nbadge = \"900900\"\n[[person]]\nid = \"b\"\nbadge = \"900900\"\n",
		"[[person]]\nid = \"a\"\nbadge = \"900900\"\npin = \"493716\"\n"} {
		if _, err := ReadPeople(PeopleFile, []byte(text)); err == nil || strings.Contains(err.Error(), "900900") || strings.Contains(err.Error(), "493716") {
			t.Errorf("%v", err)
		}
	}
}
