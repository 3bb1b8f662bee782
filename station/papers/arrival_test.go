package papers_test

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"example.org/panecal/limits/release"
	"example.org/panecal/station/papers"
)

// signed is a file's text released by the first key and approved by the second.
func signed(t *testing.T, text []byte, h release.Header, keys ...release.Key) []byte {
	t.Helper()
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

// TestAccept: a file that came in is in force only if two engineers of the
// station signed it, it is this station's, it holds now, and all files hold
// together with it; the reason names person and mend. What is refused leaves
// everything as it was.
func TestAccept(t *testing.T) {
	a, b, other, gone := newKey(t, "p1"), newKey(t, "p2"), newKey(t, "p3"), newKey(t, "p4")
	now := time.Date(2026, 3, 2, 12, 0, 0, 0, time.UTC)
	folder := t.TempDir()
	if err := os.CopyFS(folder, os.DirFS("../../cmd/panecal/sample")); err != nil {
		t.Fatal(err)
	}
	head := func(reason string) release.Header {
		return release.Header{Author: "p1", Approver: "p2", Reason: reason}
	}
	read := func(name string) []byte {
		data, err := os.ReadFile(filepath.Join(folder, name))
		if err != nil {
			t.Fatal(err)
		}
		return data
	}
	for _, name := range []string{"station.sheet.toml", "hopper-54.product.toml", "hopper-54.limits.toml"} {
		if err := os.WriteFile(filepath.Join(folder, name), signed(t, read(name), head("first"), a, b), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	list := papers.List{Folder: folder, Station: "cal-1", Sheet: "station.sheet.toml", Products: []string{"hopper-54.product.toml"}, Now: now,
		People: papers.People{"p1": {Key: a.Public(), Engineer: true}, "p2": {Key: b.Public(), Engineer: true}, "p3": {Key: other.Public()}, "p4": {Key: gone.Public(), Engineer: true, Ended: true}}}
	write := func(path string, data []byte) error { return os.WriteFile(path, data, 0o644) }
	before, err := list.Read()
	if err != nil {
		t.Fatal(err)
	}
	limits, sheet := read("hopper-54.limits.toml"), read("station.sheet.toml")
	stranger := head("x")
	stranger.Approver = "p3"
	left := head("x")
	left.Approver = "p4"
	early, ended := head("early"), head("ended")
	early.Effective = now.Add(time.Hour)
	ended.Effective, ended.Until = now.Add(-time.Hour), now.Add(-time.Minute)
	bare := head("unsigned")
	elsewhere := []byte(strings.Replace(string(sheet), `station = "cal-1"`, `station = "cal-2"`, 1))
	orphan := read("hopper-1.limits.toml")
	for name, c := range map[string]struct {
		data []byte
		want []string
		is   error
	}{
		"unsigned":        {signed(t, limits, bare), []string{"not signed", "p1, p2"}, release.ErrUnsigned},
		"tampered":        {[]byte(strings.Replace(string(limits), "high = ", "high = 1", 1)), []string{"does not fit", "p1, p2"}, papers.ErrRefused},
		"no engineer":     {signed(t, limits, stranger, a, other), []string{`no key of "p3"`, "p1, p2"}, papers.ErrRefused},
		"one signature":   {signed(t, limits, head("x"), a), []string{`no signature of "p2"`}, papers.ErrRefused},
		"person's time":   {signed(t, limits, left, a, gone), []string{"the valid_until of p4 has passed", "two of p1, p2 sign"}, papers.ErrRefused},
		"expired":         {signed(t, limits, ended, a, b), []string{"no longer effective", "of p1", "new revision"}, release.ErrEnded},
		"wrong product":   {signed(t, orphan, head("x"), a, b), []string{`product "hopper-1"`, "does not run"}, nil},
		"another station": {signed(t, elsewhere, head("x"), a, b), []string{`station "cal-2"`}, nil},
		"no file":         {[]byte("x = 1"), []string{"unknown key"}, nil},
	} {
		all, _, err := list.Accept(name, c.data, write)
		if all != nil || err == nil || c.is != nil && !errors.Is(err, c.is) {
			t.Errorf("%s: %v", name, err)
			continue
		}
		for _, part := range c.want {
			if !strings.Contains(err.Error(), part) {
				t.Errorf("%s: %v does not say %q", name, err, part)
			}
		}
		if after, err := list.Read(); err != nil || !after.Same(before) {
			t.Errorf("%s: something has changed, %v", name, err)
		}
	}
	all, told, err := list.Accept("l.toml", signed(t, limits, head("second"), a, b), write)
	if err != nil || all.Same(before) || !strings.Contains(told, "written by p1, approved by p2") || all[0].Limits.Reason != "second" {
		t.Fatalf("%s, %v", told, err)
	}
	if all, told, err = list.Accept("l.toml", signed(t, limits, early, a, b), write); err != nil || all[0].Limits.Reason != "second" || !list.Waits() || !strings.Contains(told, "waits until") {
		t.Errorf("%s, %v", told, err)
	}
	list.Now = early.Effective
	if all, err = list.Read(); err != nil || all[0].Limits.Reason != "early" {
		t.Errorf("when it is due: %v", err)
	}
}

func newKey(t *testing.T, person string) release.Key {
	t.Helper()
	k, err := release.NewKey(person)
	if err != nil {
		t.Fatal(fmt.Errorf("a key of %s: %w", person, err))
	}
	return k
}
