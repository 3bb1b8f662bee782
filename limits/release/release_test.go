package release_test

import (
	"crypto/ed25519"
	"crypto/sha256"
	"encoding/base64"
	"encoding/hex"
	"errors"
	"math"
	"strings"
	"testing"

	"example.org/panecal/limits/release"
	"github.com/pelletier/go-toml/v2"
)

func seal(t *testing.T, text string) release.Document {
	t.Helper()
	var content map[string]any
	if err := toml.Unmarshal([]byte(text), &content); err != nil {
		t.Fatal(err)
	}
	var file struct{ Release release.Header }
	if err := toml.Unmarshal([]byte(text), &file); err != nil {
		t.Fatal(err)
	}
	d, err := release.Seal("limits", content, file.Release)
	if err != nil {
		t.Fatal(err)
	}
	return d
}

const plain = `product = "p"
[limit."a.b"]
high = 2.0
bin = "µ"
at = 2026-01-31T06:00:00Z
list = [1, 2.5, "x"]
[limit.c]
low = 1e-7
[release]
author = "A"
reason = "first"
[[nest]]
port = "/dev/one"
due = 2026-05-01
`

func TestSameRevision(t *testing.T) {
	want := seal(t, plain)
	for _, c := range []struct{ name, text string }{
		{"other order, comments, white space, spelling of the same values", `# why
release = {reason = "first",   author = "A"}
limit.c = {low = 0.0000001}
nest = [{due = 2026-05-01, port = '/dev/one'}]
product = """p"""
[limit."a.b"]
list = [
  1.0, # one
  25e-1, 'x' ]
at = 2026-01-31T07:00:00+01:00
bin = "\u00b5"
high = 2
`},
		{"signatures added", plain + "[[release.signature]]\nperson = \"A\"\ned25519 = \"x\"\n"},
		{"canonical form read again", string(want.Canonical)},
	} {
		t.Run(c.name, func(t *testing.T) {
			if got := seal(t, c.text); got.Revision != want.Revision {
				t.Errorf("another revision:\n%s\n%s", got.Canonical, want.Canonical)
			}
		})
	}
	sum := sha256.Sum256(want.Canonical)
	if want.Revision != hex.EncodeToString(sum[:]) {
		t.Error("the revision is not the hash of the canonical bytes")
	}
	wantText := `# panecal limits 1
limit."a.b".at = 2026-01-31T06:00:00Z
limit."a.b".bin = "µ"
limit."a.b".high = 2
limit."a.b".list = [1, 2.5, "x"]
limit.c.low = 1e-07
nest = [{due = 2026-05-01, port = "/dev/one"}]
product = "p"
release.author = "A"
release.reason = "first"
`
	if string(want.Canonical) != wantText {
		t.Errorf("canonical form\n%s\nwant\n%s", want.Canonical, wantText)
	}
}

func TestOtherRevision(t *testing.T) {
	first := seal(t, plain).Revision
	for _, c := range [][2]string{
		{"2.0", "2.0000000000000004"}, {`"p"`, `"p "`}, {`author = "A"`, `author = "B"`},
		{"[1, 2.5", "[2.5, 1"}, {"due = 2026-05-01", "due = \"2026-05-01\""}, {"reason =", "approver ="},
	} {
		if seal(t, strings.Replace(plain, c[0], c[1], 1)).Revision == first {
			t.Errorf("%s for %s: the same revision", c[1], c[0])
		}
	}
	d := seal(t, plain)
	other, err := release.Seal("product", map[string]any{"product": "p"}, release.Header{})
	if err != nil || other.Revision == d.Revision || string(other.Message()) == string(d.Message()) {
		t.Error("another kind must be another revision and another message")
	}
}

func TestSealRefuses(t *testing.T) {
	for _, v := range []any{math.NaN(), math.Inf(1), []any{math.Inf(-1)}, struct{}{}} {
		if _, err := release.Seal("limits", map[string]any{"x": v}, release.Header{}); err == nil {
			t.Errorf("%v was sealed", v)
		}
	}
}

type ring map[string]ed25519.PublicKey

func (r ring) Key(person string) (ed25519.PublicKey, bool) { k, ok := r[person]; return k, ok }

func TestVerify(t *testing.T) {
	pair := func(n byte) ed25519.PrivateKey {
		return ed25519.NewKeyFromSeed([]byte(strings.Repeat(string(rune('a'+n)), ed25519.SeedSize)))
	}
	alpha, beta, other := pair(0), pair(1), pair(2)
	keys := ring{"A": alpha.Public().(ed25519.PublicKey), "B": beta.Public().(ed25519.PublicKey)}
	text := "product = \"p\"\n[release]\nauthor = \"A\"\napprover = \"B\"\n"
	withC := strings.Replace(text, "B", "C", 1)
	of := func(text string) []byte { d := seal(t, text); return d.Message() }
	message, messageC := of(text), of(withC)
	sign := func(person string, k ed25519.PrivateKey, message []byte) release.Signature {
		return release.Signature{Person: person, Ed25519: base64.StdEncoding.EncodeToString(ed25519.Sign(k, message))}
	}
	for _, c := range []struct {
		name string
		text string
		with []release.Signature
		want string // part of the error; "" for signed
	}{
		{"both", text, []release.Signature{sign("B", beta, message), sign("A", alpha, message)}, ""},
		{"none", text, nil, "not signed"},
		{"author only", text, []release.Signature{sign("A", alpha, message)}, `no signature of "B"`},
		{"approver's key is another's", text, []release.Signature{sign("A", alpha, message), sign("B", other, message)}, `"B" does not fit`},
		{"signed another revision", text, []release.Signature{sign("A", alpha, message), sign("B", beta, []byte("x"))}, `"B" does not fit`},
		{"changed after signing", text + "reason = \"x\"\n", []release.Signature{sign("A", alpha, message), sign("B", beta, message)}, `"A" does not fit`},
		{"not base64", text, []release.Signature{{"A", "%"}, sign("B", beta, message)}, "illegal base64"},
		{"one person twice", strings.Replace(text, "B", "A", 1), []release.Signature{sign("A", alpha, message)}, "another person"},
		{"unknown person", withC, []release.Signature{sign("A", alpha, messageC), sign("C", other, messageC)}, `no key of "C"`},
	} {
		t.Run(c.name, func(t *testing.T) {
			d := seal(t, c.text)
			d.Signature = c.with
			d.Signed = true // must not survive
			err := d.Verify(keys)
			if d.Signed != (c.want == "") {
				t.Errorf("signed is %v", d.Signed)
			}
			if c.want == "" && err != nil || c.want != "" && (err == nil || !strings.Contains(err.Error(), c.want)) {
				t.Errorf("got %v, want %q", err, c.want)
			}
			if c.name == "none" && !errors.Is(err, release.ErrUnsigned) {
				t.Error("not ErrUnsigned")
			}
		})
	}
	if k, p, _ := (release.Header{Author: "A", Approver: "A"}).Problem(); k != "approver" || p == "" {
		t.Error("one person in both roles is a problem")
	}
}
