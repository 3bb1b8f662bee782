package record_test

import (
	"bytes"
	"errors"
	"fmt"
	"testing"

	"github.com/fxamacker/cbor/v2"

	"example.org/panecal/store/record"
)

// remade returns data with change done to its envelope, in the one byte form.
func remade(t testing.TB, data []byte, change func(map[uint64]any)) []byte {
	t.Helper()
	m := map[uint64]any{}
	for k, v := range parts(t, data) {
		m[k] = v
	}
	change(m)
	return deterministic(t, m)
}

func parts(t testing.TB, data []byte) map[uint64]cbor.RawMessage {
	t.Helper()
	m := map[uint64]cbor.RawMessage{}
	if err := cbor.Unmarshal(data, &m); err != nil {
		t.Fatal(err)
	}
	return m
}

func deterministic(t testing.TB, v any) []byte {
	t.Helper()
	mode, err := cbor.CoreDetEncOptions().EncMode()
	if err != nil {
		t.Fatal(err)
	}
	data, err := mode.Marshal(v)
	if err != nil {
		t.Fatal(err)
	}
	return data
}

const (
	keyVersion = 1
	keyKind    = 2
	keyBody    = 8
)

// with99 returns a map with one more key, at the end of path.
func with99(t testing.TB, data []byte, path ...uint64) cbor.RawMessage {
	m := map[uint64]any{}
	for k, v := range parts(t, data) {
		m[k] = v
	}
	if len(path) == 0 {
		m[99] = map[string]any{"later": []float64{1.5, 2}}
	} else {
		m[path[0]] = with99(t, m[path[0]].(cbor.RawMessage), path[1:]...)
	}
	return deterministic(t, m)
}

// What a later program adds to a record is no damage: the rest is read.
func TestFieldOfALaterProgram(t *testing.T) {
	for _, b := range bodies(t) {
		for _, version := range []int{1, 2} {
			t.Run(fmt.Sprint(b.Kind(), " in version ", version), func(t *testing.T) {
				data, _, err := record.Encode(entry(b))
				if err != nil {
					t.Fatal(err)
				}
				data = remade(t, data, func(m map[uint64]any) {
					m[keyVersion] = version
					m[keyBody] = with99(t, m[keyBody].(cbor.RawMessage))
				})
				e, err := record.Decode(data)
				if err != nil {
					t.Fatal(err)
				}
				if !e.Later || e.Version != version || e.Ref.Hash != record.HashOf(data) {
					t.Errorf("read as %+v", e)
				}
				if fmt.Sprint(e.Body.Subject()) != fmt.Sprint(b.Subject()) || e.Body.Kind() != b.Kind() {
					t.Errorf("what is known was not read: %+v", e.Body)
				}
				if _, _, err := record.Encode(e); err == nil {
					t.Error("it was written again without what is not known")
				}
			})
		}
	}
}

func TestFieldOfALaterProgramInsideAndOutside(t *testing.T) {
	const keyRun, keyIdentity = 1, 17
	data, _, err := record.Encode(entry(bodies(t)[0]))
	if err != nil {
		t.Fatal(err)
	}
	for name, later := range map[string][]byte{
		"in the envelope": with99(t, data),
		"in the run":      with99(t, data, keyBody, keyRun),
		"deeper":          with99(t, data, keyBody, keyRun, keyIdentity),
	} {
		e, err := record.Decode(later)
		if err != nil || !e.Later || e.Body.Subject().Serial != "H54-000123" {
			t.Errorf("%s: %+v, %v", name, e, err)
		}
	}
}

func TestKindOfALaterProgram(t *testing.T) {
	for _, version := range []int{1, 2} {
		data, _, err := record.Encode(entry(&record.Note{Text: "x"}))
		if err != nil {
			t.Fatal(err)
		}
		data = remade(t, data, func(m map[uint64]any) { m[keyVersion], m[keyKind] = version, 99 })
		e, err := record.Decode(data)
		if err != nil {
			t.Fatal(err)
		}
		u, ok := e.Body.(*record.Unknown)
		if !ok || !e.Later || u.Number != 99 || !bytes.Equal(u.Raw, parts(t, data)[keyBody]) {
			t.Errorf("read as %#v", e)
		}
	}
}

// A later version of a known kind whose content is another is not guessed at.
func TestContentOfALaterProgram(t *testing.T) {
	data, _, err := record.Encode(entry(&record.Note{Text: "x"}))
	if err != nil {
		t.Fatal(err)
	}
	other := func(version int) []byte {
		return remade(t, data, func(m map[uint64]any) { m[keyVersion], m[keyBody] = version, []string{"x"} })
	}
	e, err := record.Decode(other(record.Version + 1))
	if u, ok := e.Body.(*record.Unknown); err != nil || !ok || !e.Later || u.Number != record.KindNote {
		t.Errorf("%+v, %v", e, err)
	}
	if _, err := record.Decode(other(record.Version)); !errors.Is(err, record.ErrMalformed) {
		t.Errorf("in this version: %v", err)
	}
}

// lowest is the version that a body of [bodies] needs: the attempt there holds
// uncertainties in two parts, the sign-on who allowed it, the stop what it
// names.
func lowest(b record.Body) int {
	switch b.Kind() {
	case record.KindAttemptIntent:
		return 6 // what a gate said
	case record.KindAttempt:
		return 2
	case record.KindSignOn, record.KindStop, record.KindAccessRefused:
		return 3
	case record.KindDispositionChange, record.KindReworkDone, record.KindDecision,
		record.KindBoxOpened, record.KindBoxed, record.KindPause, record.KindRelabelled,
		record.KindStart, record.KindLogDamage, record.KindCapturesRemoved:
		return 5
	}
	return 1
}

// A record that this program could have written says the version it needs, and
// no other.
func TestLowestVersion(t *testing.T) {
	for _, b := range bodies(t) {
		data, _, err := record.Encode(entry(b))
		if err != nil {
			t.Fatal(err)
		}
		if e, err := record.Decode(data); err != nil || e.Version != lowest(b) || e.Later {
			t.Errorf("%s: version %d, want %d, later %v, %v", b.Kind(), e.Version, lowest(b), e.Later, err)
		}
	}
}

// What is not known has one form too.
func TestLaterContentHasOneForm(t *testing.T) {
	data, _, err := record.Encode(entry(&record.Note{Text: "x"}))
	if err != nil {
		t.Fatal(err)
	}
	body := parts(t, data)[keyBody]
	for name, v := range map[string]string{
		"a long integer":      "\x18\x01",
		"a longer integer":    "\x19\x00\xff",
		"an endless list":     "\x9f\x01\xff",
		"an endless text":     "\x7f\x61x\xff",
		"a double for a half": "\xfb\x3f\xf8\x00\x00\x00\x00\x00\x00",
		"a single for a half": "\xfa\x3f\xc0\x00\x00",
		"a double for single": "\xfb\x3f\xf0\x00\x01\x00\x00\x00\x00",
		"another NaN":         "\xf9\x7e\x01",
		"a long NaN":          "\xfa\x7f\xc0\x00\x00",
		"a long infinity":     "\xfb\x7f\xf0\x00\x00\x00\x00\x00\x00",
		"keys out of order":   "\xa2\x02\x01\x01\x01",
		"a key twice":         "\xa2\x01\x01\x01\x01",
		"text not UTF-8":      "\x61\xff",
		"a reserved value":    "\xf8\x10",
		"undefined":           "\xf7",
		"nothing":             "",
		"cut short":           "\x43ab",
		"too deep":            string(bytes.Repeat([]byte{0x81}, 40)) + "\x01",
	} {
		// The note's six keys end before 24: 0x18 0x63 is 99.
		bad := append(bytes.Clone(body), append([]byte{0x18, 99}, v...)...)
		bad[0]++
		whole := remade(t, data, func(m map[uint64]any) { m[keyBody] = []byte(nil) })
		whole = append(whole[:len(whole)-1], bad...)
		if _, err := record.Decode(whole); !errors.Is(err, record.ErrMalformed) {
			t.Errorf("%s: %v", name, err)
		}
	}
}

// What could be left out is not there empty, and what is never left out is.
func TestKnownContentHasOneForm(t *testing.T) {
	data, _, err := record.Encode(entry(&record.Note{Text: "x"}))
	if err != nil {
		t.Fatal(err)
	}
	for name, change := range map[string]func(map[uint64]any){
		"an empty field":      func(m map[uint64]any) { m[6] = []byte{} },
		"null":                func(m map[uint64]any) { m[1] = nil },
		"a missing field":     func(m map[uint64]any) { delete(m, 5) },
		"bytes for a text":    func(m map[uint64]any) { m[5] = []byte("x") },
		"a text for bytes":    func(m map[uint64]any) { m[6] = "x" },
		"a number for a text": func(m map[uint64]any) { m[5] = 1 },
	} {
		bad := remade(t, data, func(m map[uint64]any) {
			body := map[uint64]any{}
			for k, v := range parts(t, m[keyBody].(cbor.RawMessage)) {
				body[k] = v
			}
			change(body)
			m[keyBody] = body
		})
		if _, err := record.Decode(bad); !errors.Is(err, record.ErrMalformed) {
			t.Errorf("%s: %v", name, err)
		}
	}
	for name, text := range map[string]string{
		"not in UTC":   "2026-03-02T06:00:00+01:00",
		"a long time":  "2026-03-02T06:00:00.250000Z",
		"the zero one": "0001-01-01T00:00:00Z",
		"no time":      "yesterday",
	} {
		if _, err := record.Decode(remade(t, data, func(m map[uint64]any) { m[6] = text })); !errors.Is(err, record.ErrMalformed) {
			t.Errorf("%s: %v", name, err)
		}
	}
}
