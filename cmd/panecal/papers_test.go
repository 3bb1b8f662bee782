package main

import (
	"bytes"
	"encoding/base64"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/adrg/xdg"

	"example.org/panecal/cmd/panecal/cli"
	"example.org/panecal/limits/release"
	"example.org/panecal/station/papers"
)

// TestPapersRefused: a station does not start on a file that is unsigned, tampered
// with, no longer or not yet effective, or not its own: exit code 4, and the reason
// with a person who can mend it. It is so for each kind of file, with a screen and
// without.
func TestPapersRefused(t *testing.T) {
	home := t.TempDir()
	t.Cleanup(xdg.Reload) // when the environment is as before
	for _, name := range []string{"TMPDIR", "XDG_STATE_HOME", "XDG_CONFIG_HOME", "XDG_DATA_HOME", "XDG_CACHE_HOME"} {
		t.Setenv(name, home)
	}
	xdg.Reload()
	dir := filepath.Join(home, "cal")
	tell := func(args ...string) (int, string) {
		var talk bytes.Buffer
		code := run(append([]string{"--data", dir}, args...), strings.NewReader(""), io.Discard, &talk)
		return code, talk.String()
	}
	if code, said := tell("init", "--station", "S1"); code != 0 {
		t.Fatalf("init: %d, %s", code, said)
	}
	read := func(name string) []byte {
		t.Helper()
		data, err := os.ReadFile(filepath.Join(dir, name))
		if err != nil {
			t.Fatal(err)
		}
		return data
	}
	put := func(name string, data []byte) {
		t.Helper()
		if err := os.WriteFile(filepath.Join(dir, name), data, 0o640); err != nil {
			t.Fatal(err)
		}
	}
	key := func(person string) release.Key {
		k, err := release.NewKey(person)
		if err != nil {
			t.Fatal(err)
		}
		return k
	}
	a, b, other := key("p1"), key("p2"), key("p2") // the last has the name alone
	sign := func(text []byte, h release.Header, keys ...release.Key) []byte {
		t.Helper()
		h.Author, h.Approver = "p1", "p2"
		for range 2 {
			out, err := release.WithHeader(text, h)
			if err != nil {
				t.Fatal(err)
			}
			f, err := papers.ReadAny("x", out)
			if err != nil {
				t.Fatal(err)
			}
			h.Signature = nil
			for _, k := range keys {
				h.Signature = append(h.Signature, k.Sign(&f.Doc))
			}
		}
		out, err := release.WithHeader(text, h)
		if err != nil {
			t.Fatal(err)
		}
		return out
	}
	with := func(data []byte, from, to string) []byte {
		t.Helper()
		if !bytes.Contains(data, []byte(from)) {
			t.Fatalf("no %q in it", from)
		}
		return bytes.Replace(data, []byte(from), []byte(to), 1)
	}
	config := with(read("panecal.toml"), "products = [", "products = [\"hopper-54.product.toml\"] # [")
	put("panecal.toml", append([]byte("roster = \"roster.toml\"\n"), config...))
	staff := fmt.Appendf(nil, "[[person]]\nid = \"p1\"\nroles = [\"engineer\"]\nkey = %q\n[[person]]\nid = \"p2\"\nroles = [\"engineer\"]\nkey = %q\n[[person]]\nid = \"op\"\nroles = [\"operator\"]\n",
		base64.StdEncoding.EncodeToString(a.Public()), base64.StdEncoding.EncodeToString(b.Public()))
	kinds := []struct {
		kind, file    string
		text          []byte
		from, to      string // a change behind the signatures' back
		foreign       []byte // of another product or station, or signed by strangers
		strangers     bool
		foreignReason string
	}{
		{"limits", "hopper-54.limits.toml", read("hopper-54.limits.toml"), "high = 0.012", "high = 0.12", read("hopper-1.limits.toml"), false, `for product "hopper-1"`},
		{"product", "hopper-54.product.toml", read("hopper-54.product.toml"), "reflectance = [0.5, 0.8]", "reflectance = [0.5, 0.7]", with(read("hopper-1.product.toml"), "hopper-1.limits.toml", "hopper-54.limits.toml"), false, `for product "hopper-54"`},
		{"sheet", "station.sheet.toml", read("station.sheet.toml"), "distance_mm = ", "distance_mm = 1", with(read("station.sheet.toml"), `station = "S1"`, `station = "S2"`), false, `for station "S2"`},
		{"roster", "roster.toml", staff, `id = "op"`, `id = "po"`, staff, true, "does not fit"},
	}
	good := func() {
		for _, k := range kinds {
			put(k.file, sign(k.text, release.Header{Reason: "first"}, a, b))
		}
	}
	good()
	starts := [][]string{{"run", "--port", "/dev/null", "--label", "H54-00001-O"}, {"shift", "--plain"}}
	if code, said := tell(starts[0]...); code == cli.ExitRefused {
		t.Fatalf("sound files: %d, %s", code, said)
	}
	now := time.Now().UTC().Truncate(time.Second)
	for _, k := range kinds {
		foreign := []release.Key{a, b}
		if k.strangers {
			foreign[1] = other
		}
		for _, c := range []struct {
			fault  string
			data   []byte
			reason string
		}{
			{"unsigned", sign(k.text, release.Header{Reason: "x"}), "not signed"},
			{"tampered", with(sign(k.text, release.Header{Reason: "x"}, a, b), k.from, k.to), "does not fit"},
			{"ended", sign(k.text, release.Header{Reason: "x", Effective: now.Add(-2 * time.Hour), Until: now.Add(-time.Hour)}, a, b), "no longer effective"},
			{"early", sign(k.text, release.Header{Reason: "x", Effective: now.Add(time.Hour)}, a, b), "not yet effective"},
			{"foreign", sign(k.foreign, release.Header{Reason: "x"}, foreign...), k.foreignReason},
		} {
			good()
			put(k.file, c.data)
			for _, args := range starts {
				code, said := tell(args...)
				if code != cli.ExitRefused || !strings.Contains(said, c.reason) || !strings.Contains(said, "p1") {
					t.Errorf("%s, %s, %s: code %d: %s", args[0], k.kind, c.fault, code, said)
				}
			}
		}
	}
}
