package dossier_test

import (
	"bytes"
	"encoding/json"
	"encoding/xml"
	"errors"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"example.org/panecal/store"
	"example.org/panecal/store/dossier"
	"example.org/panecal/store/proof"
	"example.org/panecal/store/query"
	"example.org/panecal/store/record"
)

// made is the dossier of a unit of the committed store.
func made(t *testing.T, serial string, problems ...store.Problem) *dossier.Dossier {
	t.Helper()
	dir := filepath.Join(t.TempDir(), "first")
	if err := os.CopyFS(dir, os.DirFS("../../testdata/first-store/store")); err != nil {
		t.Fatal(err)
	}
	check, err := store.Check(dir, store.CheckOptions{})
	if err != nil {
		t.Fatal(err)
	}
	check.Problems = append(check.Problems, problems...)
	f, err := store.Follow(dir, t.TempDir())
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	u, err := query.History(f, serial)
	if err != nil || !u.Found {
		t.Fatal(u.Found, err)
	}
	d := dossier.New(serial, "test", time.Date(2026, 11, 27, 12, 0, 0, 0, time.UTC), time.UTC, check)
	d.Tell(u, func(document, revision string) *record.ReleaseTaken {
		return &record.ReleaseTaken{Author: "author <b>", Approver: "approver \u202e", Reason: "why"}
	})
	return d
}

func page(t *testing.T, d *dossier.Dossier) []byte {
	t.Helper()
	var b bytes.Buffer
	if err := d.WriteHTML(&b); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

// The page is well formed, needs nothing but itself, and can be read by who does not
// see it: a language, headings in order, a caption and scoped headers in each table,
// a title and words beside each picture (WCAG 2.2, 1.1.1, 1.3.1, 3.1.1; from memory).
func TestPage(t *testing.T) {
	for _, serial := range []string{"H54-00004-I", "H54-00001-O", "H1-00001-F"} {
		text := page(t, made(t, serial))
		x := xml.NewDecoder(bytes.NewReader(bytes.TrimPrefix(text, []byte("<!DOCTYPE html>"))))
		level, headings, figures, svgs, captions, tables := 0, 0, 0, 0, 0, 0
		var open []string
		for {
			token, err := x.Token()
			if errors.Is(err, io.EOF) {
				break
			}
			if err != nil {
				t.Fatalf("%s: %v", serial, err)
			}
			e, ok := token.(xml.StartElement)
			if _, end := token.(xml.EndElement); end {
				open = open[:len(open)-1]
			}
			if !ok {
				continue
			}
			name := e.Name.Local
			open = append(open, name)
			has := map[string]string{}
			for _, a := range e.Attr {
				has[a.Name.Local] = a.Value
				if k := a.Name.Local; k == "src" || k == "href" || strings.HasPrefix(k, "on") || strings.Contains(a.Value, "url(") {
					t.Errorf("%s: %s has %s=%q", serial, name, k, a.Value)
				}
			}
			switch name {
			case "html":
				if has["lang"] != "en" {
					t.Errorf("%s: language %q", serial, has["lang"])
				}
			case "h1", "h2", "h3":
				now := int(name[1] - '0')
				if now > level+1 {
					t.Errorf("%s: %s after h%d", serial, name, level)
				}
				level = now
				headings++
			case "th":
				if has["scope"] == "" {
					t.Errorf("%s: a header cell without scope", serial)
				}
			case "figure":
				figures++
			case "svg":
				svgs++
				if has["role"] != "img" {
					t.Errorf("%s: a picture without a role", serial)
				}
			case "caption":
				captions++
			case "table":
				tables++
			case "script", "link", "iframe", "img":
				t.Errorf("%s: the page has a %s", serial, name)
			}
		}
		if headings < 8 || tables < 6 || captions != tables || figures != svgs || serial[:3] == "H54" && serial[8] == '4' && svgs != 4 {
			t.Errorf("%s: %d headings, %d tables, %d captions, %d figures, %d pictures", serial, headings, tables, captions, figures, svgs)
		}
		if bytes.Contains(text, []byte("author <b>")) || bytes.ContainsRune(text, '\u202e') {
			t.Errorf("%s: text from outside reaches the page raw", serial)
		}
		if !bytes.Contains(text, []byte("Nobody else remembers this log")) && !bytes.Contains(text, []byte("Who else remembers the log")) {
			t.Errorf("%s: no witnesses are told", serial)
		}
	}
}

// What a result is worth nothing without.
func TestStatements(t *testing.T) {
	d := made(t, "H54-00004-I")
	text := string(page(t, d))
	for _, want := range []string{"expanded uncertainty U = k·u with k = 2", "Effective degrees of freedom: infinite", "guarded acceptance (JCGM 106:2012, 8.3)", "P(conforming)",
		"<td>demo-", "value &#43; 2 u ≤", "Whole: each of its", "read back equal", d.Log.Hash, d.Unit.Attempts[0].Record.Hash, d.Unit.Attempts[0].Limits.Rev} {
		if !strings.Contains(text, want) {
			t.Errorf("the page does not say %q", want)
		}
	}
	if o := d.Offset; o == nil || o.Expanded != 2*o.U || o.Unit != "mm" || o.Record != d.Unit.Attempts[len(d.Unit.Attempts)-1].Record {
		t.Errorf("offset %+v", d.Offset)
	}
	data, err := json.Marshal(d)
	if err != nil || !bytes.Contains(data, []byte(`"schema":"panecal.dossier/1"`)) || !bytes.Contains(data, []byte(`"budget"`)) {
		t.Errorf("%v: %.200s", err, data)
	}
}

// What is wrong with the log stands first.
func TestProblemsAreTold(t *testing.T) {
	d := made(t, "H54-00004-I", store.Problem{Fault: "forked", Record: 7, DamageError: store.DamageError{File: "journal <x>", What: "it went on twice"}})
	text := string(page(t, d))
	if d.Log.Whole || !strings.Contains(text, "forked") || !strings.Contains(text, "it went on twice") || strings.Contains(text, "Whole: each") || strings.Contains(text, "journal <x>") {
		t.Error("the problem of the log is not told, or not as text")
	}
	if strings.Index(text, "forked") > strings.Index(text, "What was measured") {
		t.Error("the problem is told after the result")
	}
}

// A proof comes out of the page byte for byte.
func TestProofIn(t *testing.T) {
	d := made(t, "H54-00004-I")
	f := proof.File{Schema: proof.FileSchema, Serial: "H54 <&>\"'+", Checkpoint: "a\n— b+c/=\n", Records: []proof.Proven{{Record: []byte{0, 255, 1}}}}
	if err := d.Prove(f, time.Now(), 5, 2); err != nil {
		t.Fatal(err)
	}
	want, err := f.Marshal()
	if err != nil {
		t.Fatal(err)
	}
	text := page(t, d)
	got, err := dossier.ProofIn(text)
	if err != nil || !bytes.Equal(got, want) || !dossier.IsPage(text) || dossier.IsPage(want) {
		t.Errorf("%v: %q, want %q", err, got, want)
	}
	for _, bad := range [][]byte{nil, page(t, made(t, "H54-00004-I")), bytes.ReplaceAll(text, []byte("</pre>"), nil), append(text, text...)} {
		if _, err := dossier.ProofIn(bad); err == nil {
			t.Errorf("a proof in %.40q", bad)
		}
	}
}
