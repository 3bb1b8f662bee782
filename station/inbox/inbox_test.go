package inbox

import (
	"bytes"
	"crypto/ed25519"
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
	*Inbox
	t     *testing.T
	key   release.Key
	store *store.Store
	said  *bytes.Buffer
	on    *bookkeeper
}

// keys are those of the people whom the station knows.
type keys map[string]ed25519.PublicKey

func (k keys) Key(person string) (ed25519.PublicKey, bool) { one, ok := k[person]; return one, ok }

// bookkeeper is as much of a station as an inbox needs.
type bookkeeper struct {
	Station
	store         *store.Store
	before, after error    // of the next record: not taken; taken, and told otherwise
	told          []string // to the operator
}

func newMailbox(t *testing.T) *mailbox {
	t.Helper()
	folder := filepath.Join(t.TempDir(), "data", "store")
	key, err := release.NewKey("4711")
	if err != nil {
		t.Fatal(err)
	}
	if err := store.Create(folder, store.Options{Station: "S1"}); err != nil {
		t.Fatal(err)
	}
	s, err := store.Open(folder, store.Options{})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := s.Close(); err != nil {
			t.Error(err)
		}
	})
	m := &mailbox{t: t, key: key, store: s, said: new(bytes.Buffer), on: &bookkeeper{store: s}}
	m.Inbox = New(Options{Name: "S1", Folder: filepath.Join(filepath.Dir(folder), "inbox"), Keys: keys{"4711": key.Public()}, Station: m.on, Past: s,
		Logger: slog.New(slog.NewTextHandler(m.said, nil)), Now: func() time.Time { return time.Now().Add(time.Minute) }})
	if err := m.Make(); err != nil {
		t.Fatal(err)
	}
	return m
}

// Append fails, or records and says it did not know.
func (b *bookkeeper) Append(body record.Body) (record.Ref, error) {
	if err := b.before; err != nil {
		b.before = nil
		return record.Ref{}, err
	}
	ref, err := b.store.Append(body)
	if b.after != nil {
		err, b.after = b.after, nil
	}
	return ref, err
}

// Refused implements Station.
func (b *bookkeeper) Refused(why string) { b.told = append(b.told, why) }

func (m *mailbox) note(text string) []byte {
	n, err := NewNote("S1", "H54-00001", text, time.Date(2027, 3, 1, 6, 0, 0, 0, time.UTC))
	if err != nil {
		m.t.Fatal(err)
	}
	return n.Sign(m.key)
}

func (m *mailbox) put(name string, file []byte) {
	m.t.Helper()
	if err := os.WriteFile(filepath.Join(m.o.Folder, name), file, 0o640); err != nil {
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
		if _, err := release.OpenSigned(n.Signed, m.o.Keys); err != nil || n.By != "4711" {
			m.t.Errorf("on record: %+v, %v", n, err)
		}
		texts = append(texts, n.Text)
	}
	return texts
}

// listing is what lies in a folder of the inbox.
func (m *mailbox) listing(name string) string {
	m.t.Helper()
	entries, err := os.ReadDir(filepath.Join(m.o.Folder, name))
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

// TestInboxTakesEachNoteOnce: whatever happens between the record and the
// move, and however often a file comes.
func TestInboxTakesEachNoteOnce(t *testing.T) {
	m := newMailbox(t)
	first, second := m.note("scratch"), m.note("dust")
	m.put("a.signed", first)
	m.put("b.signed", second)
	m.put("c.signed"+Unfinished, m.note("half"))
	m.on.before = errors.New("no")
	if err := m.TakeUp(); err == nil || len(m.notes()) != 0 || m.listing("") != "a.signed b.signed c.signed.part" {
		t.Errorf("the log failed: %v, on record %q, waiting %q", err, m.notes(), m.listing(""))
	}
	m.on.after = errors.New("ended here") // on record, and not moved
	if err := m.TakeUp(); err == nil || fmt.Sprint(m.notes()) != "[scratch]" {
		t.Errorf("ended between: %v, %q", err, m.notes())
	}
	if err := m.TakeUp(); err != nil || fmt.Sprint(m.notes()) != "[scratch dust]" {
		t.Errorf("%v, %q", err, m.notes())
	}
	m.put("a.signed", first)  // comes again
	m.put("aa.signed", first) // under another name
	m.put("b.signed", m.note("more dust"))
	if err := m.TakeUp(); err != nil || fmt.Sprint(m.notes()) != "[scratch dust more dust]" {
		t.Errorf("%v, %q", err, m.notes())
	}
	if in, done := m.listing(""), m.listing(doneFolder); in != "c.signed.part" || done != "2-b.signed a.signed aa.signed b.signed" {
		t.Errorf("waiting %q, done %q", in, done)
	}
	m.o.Now = time.Now
	m.put("young.signed", first)
	if err := m.TakeUp(); err != nil || m.listing("") != "c.signed.part young.signed" {
		t.Errorf("a file that may still be copied was taken: %v", err)
	}
	for _, name := range []string{"", doneFolder, RefusedFolder} {
		if i, err := os.Stat(filepath.Join(m.o.Folder, name)); err != nil || runtime.GOOS != "windows" && i.Mode().Perm()&0o027 != 0 {
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
	body := func(n Note) []byte {
		b, err := json.Marshal(n)
		if err != nil {
			t.Fatal(err)
		}
		return b
	}
	at := time.Now()
	good := Note{noteSchema, "S1", "H54-00001", "x", at}
	changed := m.note("scratch")
	changed[len(changed)-20] ^= 1
	for name, file := range map[string][]byte{
		"garbage": []byte("garbage\x1b[31m\n\n"), "empty": nil, "huge": make([]byte, release.MaxSigned+1), "changed": changed,
		"unknown":       other.SignFile(noteKind, body(good)),
		"kind":          m.key.SignFile("limits", body(good)),
		"not json":      m.key.SignFile(noteKind, []byte("x")),
		"more":          m.key.SignFile(noteKind, append(body(good), '{')),
		"other field":   m.key.SignFile(noteKind, []byte(`{"schema":"panecal.note/2","station":"S1","serial":"A","text":"x","time":"2027-01-01T00:00:00Z","sudo":1}`)),
		"schema":        m.key.SignFile(noteKind, body(Note{"panecal.note/9", "S1", "A", "x", at})),
		"no serial":     m.key.SignFile(noteKind, body(Note{noteSchema, "S1", "", "x", at})),
		"long serial":   m.key.SignFile(noteKind, body(Note{noteSchema, "S1", strings.Repeat("A", 65), "x", at})),
		"long text":     m.key.SignFile(noteKind, body(Note{noteSchema, "S1", "A", strings.Repeat("ä", longestNote+1), at})),
		"escape":        m.key.SignFile(noteKind, body(Note{noteSchema, "S1", "A", "\x1b[31m", at})),
		"bidi":          m.key.SignFile(noteKind, body(Note{noteSchema, "S1", "A", "\u202e", at})),
		"other station": m.key.SignFile(noteKind, body(Note{noteSchema, "S2", "A", "x", at})),
		"no station":    m.key.SignFile(noteKind, []byte(`{"schema":"panecal.note/1","serial":"A","text":"x","time":"2027-01-01T00:00:00Z"}`)),
		"no time":       m.key.SignFile(noteKind, body(Note{noteSchema, "S1", "A", "x", time.Time{}})),
	} {
		m.put(name, file)
		m.said.Reset()
		if err := m.TakeUp(); err != nil {
			t.Errorf("%s: %v", name, err)
		}
		reason, err := os.ReadFile(filepath.Join(m.o.Folder, RefusedFolder, name+reasonEnd))
		if err != nil || len(reason) < 10 || m.listing("") != "" || !strings.Contains(m.said.String(), "file refused") {
			t.Errorf("%s: %q, %v, waiting %q, said %s", name, reason, err, m.listing(""), m.said)
		}
		if bytes.ContainsAny(reason, "\x1b\u202e") {
			t.Errorf("%s: the reason would reach a terminal: %q", name, reason)
		}
	}
	if err := os.Symlink("/etc/passwd", filepath.Join(m.o.Folder, "link")); err == nil {
		if err := m.TakeUp(); err != nil || m.listing("") != "" {
			t.Errorf("a link: %v, %q", err, m.listing(""))
		}
	}
	if head, err := m.store.Head(); err != nil || head.Sequence != 0 {
		t.Errorf("on record: %v, %v", head, err)
	}
}

// TestOperatorHearsOfRefusedFiles: in one message, however many they are.
func TestOperatorHearsOfRefusedFiles(t *testing.T) {
	m := newMailbox(t)
	for _, names := range [][]string{{"early"}, {"a", "b", "c"}, nil} {
		for _, name := range names {
			m.put(name, []byte("nothing"))
		}
		if err := m.TakeUp(); err != nil {
			t.Fatal(err)
		}
	}
	if told := m.on.told; len(told) != 2 || !strings.HasPrefix(told[0], `"early": `) || !strings.HasPrefix(told[1], `"a": `) || !strings.HasSuffix(told[1], "; and 2 more") {
		t.Errorf("told %q", told)
	}
	if waiting, refused, err := LookInto(m.o.Folder); waiting != 0 || refused != 4 || err != nil {
		t.Errorf("%d wait, %d refused, %v", waiting, refused, err)
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
		if err := m.TakeUp(); err != nil || len(strings.Fields(m.listing(""))) != left {
			t.Errorf("%d left, want %d; %v", len(strings.Fields(m.listing(""))), left, err)
		}
	}
}

// TestInboxIsFair: whatever cannot be moved holds up nothing else, is said, and
// is not said over and over.
func TestInboxIsFair(t *testing.T) {
	for _, c := range []struct {
		name, why string
		spoil     func(refused string) error
	}{
		{"no folder for it", "cannot be moved", func(refused string) error {
			return errors.Join(os.Remove(refused), os.WriteFile(refused, nil, 0o640))
		}},
		{"as many as are kept", "take them away", func(refused string) error {
			for i := range 2 * mostRefused {
				if err := os.WriteFile(filepath.Join(refused, fmt.Sprint(i)), nil, 0o640); err != nil {
					return err
				}
			}
			return nil
		}},
	} {
		t.Run(c.name, func(t *testing.T) {
			m := newMailbox(t)
			if err := c.spoil(filepath.Join(m.o.Folder, RefusedFolder)); err != nil {
				t.Fatal(err)
			}
			const bad = 12 * mostAtOnce
			for i := range bad {
				m.put(fmt.Sprintf("%04d", i), []byte("rubbish"))
			}
			if err := os.Mkdir(filepath.Join(m.o.Folder, "0000-folder"), 0o750); err != nil {
				t.Fatal(err)
			}
			m.put("zz.signed", m.note("good"))
			const round = bad/mostAtOnce + 1
			for range round {
				if err := m.TakeUp(); err != nil {
					t.Fatal(err)
				}
			}
			if got := fmt.Sprint(m.notes()); got != "[good]" || m.listing(doneFolder) != "zz.signed" {
				t.Errorf("after one round: notes %s, done %q", got, m.listing(doneFolder))
			}
			if told := m.on.told; len(told) < mostRefused/mostAtOnce || len(told) > round || !strings.Contains(told[0], "stays in the inbox") || !strings.Contains(told[0], c.why) {
				t.Errorf("told %d times, first %q", len(told), told[0])
			}
			m.put("00.signed", m.note("better"))
			for range round {
				if err := m.TakeUp(); err != nil {
					t.Fatal(err)
				}
			}
			if got := fmt.Sprint(m.notes()); got != "[good better]" {
				t.Errorf("after another round: %s", got)
			}
			if len(m.on.told) > round+2 {
				t.Errorf("told %d times", len(m.on.told))
			}
		})
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
