package main

import (
	"bytes"
	"encoding/base64"
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"testing"
	"time"

	"example.org/panecal/limits/release"
	"example.org/panecal/station"
	"example.org/panecal/store"
	"example.org/panecal/store/record"
)

// mailbox is a station's inbox, with what is needed to fill it.
type mailbox struct {
	*inbox
	t     *testing.T
	key   release.Key
	store *store.Store
	said  *bytes.Buffer
}

func newMailbox(t *testing.T) *mailbox {
	t.Helper()
	folder := filepath.Join(t.TempDir(), "data", "store")
	key, err := release.NewKey("4711")
	if err != nil {
		t.Fatal(err)
	}
	s := newStore(t, folder, "S1")
	said := new(bytes.Buffer)
	b := &inbox{folder: inboxFolder(folder), keys: people{"4711": key.Public()}, log: s, logger: slog.New(slog.NewTextHandler(said, nil)),
		now: func() time.Time { return time.Now().Add(time.Minute) }}
	if err := b.make(); err != nil {
		t.Fatal(err)
	}
	return &mailbox{b, t, key, s, said}
}

func (m *mailbox) note(text string) []byte {
	body, err := json.Marshal(noteFile{noteSchema, "H54-00001", text, time.Date(2027, 3, 1, 6, 0, 0, 0, time.UTC)})
	if err != nil {
		m.t.Fatal(err)
	}
	return m.key.SignFile(noteKind, body)
}

func (m *mailbox) put(name string, file []byte) {
	m.t.Helper()
	if err := os.WriteFile(filepath.Join(m.folder, name), file, 0o640); err != nil {
		m.t.Fatal(err)
	}
}

func (m *mailbox) notes() (texts []string) {
	m.t.Helper()
	all, err := m.store.BySerial("H54-00001")
	if err != nil {
		m.t.Fatal(err)
	}
	for _, e := range all {
		n := e.Body.(*record.Note)
		if _, err := release.OpenSigned(n.Signed, m.keys); err != nil || n.By != "4711" {
			m.t.Errorf("on record: %+v, %v", n, err)
		}
		texts = append(texts, n.Text)
	}
	return texts
}

// listing is what lies in a folder of the inbox.
func (m *mailbox) listing(name string) string {
	m.t.Helper()
	entries, err := os.ReadDir(filepath.Join(m.folder, name))
	if err != nil {
		m.t.Fatal(err)
	}
	var names []string
	for _, e := range entries {
		if !e.IsDir() {
			names = append(names, e.Name())
		}
	}
	return strings.Join(names, " ")
}

// forgetful is a log that fails, or records and says it did not know.
type forgetful struct {
	*store.Store
	before, after error
}

func (f *forgetful) Append(b record.Body) (record.Ref, error) {
	if err := f.before; err != nil {
		f.before = nil
		return record.Ref{}, err
	}
	ref, err := f.Store.Append(b)
	if f.after != nil {
		err, f.after = f.after, nil
	}
	return ref, err
}

// TestInboxTakesEachNoteOnce: whatever happens between the record and the
// move, and however often a file comes.
func TestInboxTakesEachNoteOnce(t *testing.T) {
	m := newMailbox(t)
	first, second := m.note("scratch"), m.note("dust")
	m.put("a.signed", first)
	m.put("b.signed", second)
	m.put("c.signed"+partial, m.note("half"))
	log := &forgetful{Store: m.store, before: errors.New("no")}
	m.log = log
	if err := m.takeUp(); err == nil || len(m.notes()) != 0 || m.listing("") != "a.signed b.signed c.signed.part" {
		t.Errorf("the log failed: %v, on record %q, waiting %q", err, m.notes(), m.listing(""))
	}
	log.after = errors.New("ended here") // on record, and not moved
	if err := m.takeUp(); err == nil || fmt.Sprint(m.notes()) != "[scratch]" {
		t.Errorf("ended between: %v, %q", err, m.notes())
	}
	if err := m.takeUp(); err != nil || fmt.Sprint(m.notes()) != "[scratch dust]" {
		t.Errorf("%v, %q", err, m.notes())
	}
	m.put("a.signed", first)  // comes again
	m.put("aa.signed", first) // under another name
	m.put("b.signed", m.note("more dust"))
	if err := m.takeUp(); err != nil || fmt.Sprint(m.notes()) != "[scratch dust more dust]" {
		t.Errorf("%v, %q", err, m.notes())
	}
	if in, done := m.listing(""), m.listing(inboxDone); in != "c.signed.part" || done != "2-b.signed a.signed aa.signed b.signed" {
		t.Errorf("waiting %q, done %q", in, done)
	}
	m.now = time.Now
	m.put("young.signed", first)
	if err := m.takeUp(); err != nil || m.listing("") != "c.signed.part young.signed" {
		t.Errorf("a file that may still be copied was taken: %v", err)
	}
	for _, name := range []string{"", inboxDone, inboxNot} {
		if i, err := os.Stat(filepath.Join(m.folder, name)); err != nil || runtime.GOOS != "windows" && i.Mode().Perm()&0o027 != 0 {
			t.Errorf("folder %q: %v, %v", name, i.Mode(), err)
		}
	}
}

// TestInboxRefuses: nothing but a note that a known person signed is taken,
// and what is not is out of the way, with a reason.
func TestInboxRefuses(t *testing.T) {
	m := newMailbox(t)
	other, err := release.NewKey("4712")
	if err != nil {
		t.Fatal(err)
	}
	body := func(n noteFile) []byte {
		b, err := json.Marshal(n)
		if err != nil {
			t.Fatal(err)
		}
		return b
	}
	at := time.Now()
	good := noteFile{noteSchema, "H54-00001", "x", at}
	changed := m.note("scratch")
	changed[len(changed)-20] ^= 1
	for name, file := range map[string][]byte{
		"garbage": []byte("garbage\x1b[31m\n\n"), "empty": nil, "huge": make([]byte, release.MaxSigned+1), "changed": changed,
		"unknown":     other.SignFile(noteKind, body(good)),
		"kind":        m.key.SignFile("limits", body(good)),
		"not json":    m.key.SignFile(noteKind, []byte("x")),
		"more":        m.key.SignFile(noteKind, append(body(good), '{')),
		"other field": m.key.SignFile(noteKind, []byte(`{"schema":"panecal.note/1","serial":"A","text":"x","time":"2027-01-01T00:00:00Z","sudo":1}`)),
		"schema":      m.key.SignFile(noteKind, body(noteFile{"panecal.note/2", "A", "x", at})),
		"no serial":   m.key.SignFile(noteKind, body(noteFile{noteSchema, "", "x", at})),
		"long serial": m.key.SignFile(noteKind, body(noteFile{noteSchema, strings.Repeat("A", 65), "x", at})),
		"long text":   m.key.SignFile(noteKind, body(noteFile{noteSchema, "A", strings.Repeat("ä", longestNote+1), at})),
		"escape":      m.key.SignFile(noteKind, body(noteFile{noteSchema, "A", "\x1b[31m", at})),
		"bidi":        m.key.SignFile(noteKind, body(noteFile{noteSchema, "A", "\u202e", at})),
		"no time":     m.key.SignFile(noteKind, body(noteFile{noteSchema, "A", "x", time.Time{}})),
	} {
		m.put(name, file)
		m.said.Reset()
		if err := m.takeUp(); err != nil {
			t.Errorf("%s: %v", name, err)
		}
		reason, err := os.ReadFile(filepath.Join(m.folder, inboxNot, name+inboxReason))
		if err != nil || len(reason) < 10 || m.listing("") != "" || !strings.Contains(m.said.String(), "file refused") {
			t.Errorf("%s: %q, %v, waiting %q, said %s", name, reason, err, m.listing(""), m.said)
		}
		if bytes.ContainsAny(reason, "\x1b\u202e") {
			t.Errorf("%s: the reason would reach a terminal: %q", name, reason)
		}
	}
	if err := os.Symlink("/etc/passwd", filepath.Join(m.folder, "link")); err == nil {
		if err := m.takeUp(); err != nil || m.listing("") != "" {
			t.Errorf("a link: %v, %q", err, m.listing(""))
		}
	}
	if head, err := m.store.Head(); err != nil || head.Sequence != 0 {
		t.Errorf("on record: %v, %v", head, err)
	}
}

// TestOperatorHearsOfRefusedFiles: in one message, also of what was refused
// before there was an operator.
func TestOperatorHearsOfRefusedFiles(t *testing.T) {
	m := newMailbox(t)
	m.put("early", []byte("nothing"))
	if err := m.takeUp(); err != nil {
		t.Fatal(err)
	}
	var told []string
	m.tell = func(why string) { told = append(told, why) }
	m.report()
	for _, name := range []string{"a", "b", "c"} {
		m.put(name, []byte("nothing"))
	}
	if err := errors.Join(m.takeUp(), m.takeUp()); err != nil {
		t.Fatal(err)
	}
	if len(told) != 2 || !strings.HasPrefix(told[0], `"early": `) || !strings.HasPrefix(told[1], `"a": `) || !strings.HasSuffix(told[1], "; and 2 more") {
		t.Errorf("told %q", told)
	}
}

// TestInboxIsBounded: more than a go takes waits for the next, and the refused
// do not fill the disk.
func TestInboxIsBounded(t *testing.T) {
	m := newMailbox(t)
	for i := range mostAtOnce + 3 {
		m.put(fmt.Sprintf("%03d", i), []byte("rubbish"))
	}
	m.put(strings.Repeat("x", 200), []byte("rubbish"))
	for _, left := range []int{4, 0} {
		if err := m.takeUp(); err != nil || len(strings.Fields(m.listing(""))) != left {
			t.Errorf("%d left, want %d; %v", len(strings.Fields(m.listing(""))), left, err)
		}
	}
}

// TestBusyNests: an attempt in hand is not disturbed.
func TestBusyNests(t *testing.T) {
	s := station.Snapshot{Nests: []station.NestView{{Step: station.Vacant}, {Step: station.Showing}}}
	if busy(s) {
		t.Error("busy without a unit in hand")
	}
	for _, step := range []station.Step{station.Intending, station.EmptyCapture, station.Targeting, station.Writing, station.Recording, station.Releasing} {
		s.Nests[1].Step = step
		if !busy(s) {
			t.Errorf("not busy in %v", step)
		}
	}
}

// TestReadPeople: mistakes in the file of keys have a place and a mend.
func TestReadPeople(t *testing.T) {
	key, err := release.NewKey("4711")
	if err != nil {
		t.Fatal(err)
	}
	public := fmt.Sprintf("%q", base64.StdEncoding.EncodeToString(key.Public()))
	for text, want := range map[string]string{
		"[[key]]\nperson = \"4711\"\ned25519 = " + public + "\n":                                                 "",
		"[[key]]\nperson = \"4711\"\ned25519 = \"AAAA\"\n":                                                       ":3:",
		"[[key]]\nperson = \"a\"\ned25519 = " + public + "\n[[key]]\nperson = \"a\"\ned25519 = " + public + "\n": "has a key already",
		"[[key]]\nperson = \"a\"\n":                                                                              "ed25519",
		"[[kez]]\n":                                                                                              ":1:",
		"[[key]]\nperson = \"a\"\ned25519 = " + strings.Repeat(" ", 10) + public + "\nrole = \"x\"\n":            ":4:",
	} {
		folder := t.TempDir()
		if err := os.WriteFile(filepath.Join(folder, "keys.toml"), []byte(text), 0o640); err != nil {
			t.Fatal(err)
		}
		all, err := readPeople(configuration{Keys: "keys.toml", path: filepath.Join(folder, "panecal.toml")})
		if want == "" && (err != nil || !all["4711"].Equal(key.Public())) || want != "" && (err == nil || !strings.Contains(err.Error(), want)) {
			t.Errorf("%s%v, want %q", text, err, want)
		}
	}
	if all, err := readPeople(configuration{}); all != nil || err != nil {
		t.Errorf("no file: %v, %v", all, err)
	}
}
