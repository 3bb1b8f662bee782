package release_test

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"strings"
	"testing"

	"example.org/panecal/limits/release"
)

func newKey(t testing.TB, person string) release.Key {
	t.Helper()
	k, err := release.NewKey(person)
	if err != nil {
		t.Fatal(err)
	}
	return k
}

func TestKeyAtRest(t *testing.T) {
	k := newKey(t, "4711")
	const pass = "grüne Wiese im März"
	file, err := k.SealLightly(pass)
	if err != nil {
		t.Fatal(err)
	}
	person, public, err := release.KeyOwner(file)
	if err != nil || person != "4711" || !public.Equal(k.Public()) {
		t.Errorf("owner %q, %v", person, err)
	}
	again, err := release.OpenKey(file, pass)
	if err != nil {
		t.Fatal(err)
	}
	signed := again.SignFile("note", []byte("text"))
	if s, err := release.OpenSigned(signed, ring{"4711": k.Public()}); err != nil || string(s.Body) != "text" || s.Person != "4711" || s.Kind != "note" {
		t.Errorf("%+v, %v", s, err)
	}
	if _, err := release.OpenKey(file, pass+"!"); !errors.Is(err, release.ErrPassphrase) {
		t.Errorf("another passphrase: %v", err)
	}
	// What others may read belongs to what is sealed.
	if _, err := release.OpenKey(bytes.Replace(file, []byte("4711"), []byte("4712"), 1), pass); !errors.Is(err, release.ErrPassphrase) {
		t.Errorf("another person: %v", err)
	}
	other := newKey(t, "4711")
	var fields map[string]any
	if err := json.Unmarshal(file, &fields); err != nil {
		t.Fatal(err)
	}
	fields["ed25519"] = []byte(other.Public())
	swapped, err := json.Marshal(fields)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := release.OpenKey(swapped, pass); !errors.Is(err, release.ErrPassphrase) {
		t.Errorf("another public key: %v", err)
	}
	if _, err := k.Seal("short"); err == nil {
		t.Error("a short passphrase was taken")
	}
	for _, person := range []string{"", "a b", "a\nb", "é", strings.Repeat("x", 65)} {
		if _, err := release.NewKey(person); err == nil {
			t.Errorf("person %q was taken", person)
		}
	}
}

// TestOldKey: a file of before argon2id, made by the program of then, still
// opens, and what is sealed again is no old one.
func TestOldKey(t *testing.T) {
	const file = `{
 "schema": "panecal.key/1",
 "person": "4711",
 "ed25519": "qU4SznTNY9R3df1T8sgiIEjWd1Iv426lq1v+DVVDWis=",
 "pbkdf2_sha256_iterations": 60000,
 "salt": "/2hoUwntmHp4Fp95z7tKgQ==",
 "nonce": "csQD2g22yqnAtngJ",
 "aes256_gcm": "p2kLvm+58JS3dYPBmymQgV2UWesK+3Gb0t0I7OV+v/9zsltVtWdVzgzoBZzKp2uE"
}
`
	key, err := release.OpenKey([]byte(file), "long enough")
	if err != nil || !release.OldKey([]byte(file)) {
		t.Fatal(err)
	}
	again, err := key.SealLightly("long enough")
	if err != nil {
		t.Fatal(err)
	}
	if opened, err := release.OpenKey(again, "long enough"); err != nil || release.OldKey(again) || !opened.Public().Equal(key.Public()) {
		t.Errorf("sealed again: %v, %s", err, again)
	}
}

// TestHostileKeyFiles: no file makes the program work for hours.
func TestHostileKeyFiles(t *testing.T) {
	const form = `{"schema":"panecal.key/1","person":"a","ed25519":"AAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAA=","pbkdf2_sha256_iterations":%d,"salt":"AAAAAAAAAAAAAAAAAAAAAA==","nonce":"AAAAAAAAAAAAAAAA","aes256_gcm":""}`
	const now = `{"schema":"panecal.key/2","person":"a","ed25519":"AAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAA=","argon2id":{"passes":%d,"memory_kib":%d,"threads":%d},"salt":"AAAAAAAAAAAAAAAAAAAAAA==","nonce":"AAAAAAAAAAAAAAAA","aes256_gcm":""}`
	for _, work := range [][3]int{{0, 65536, 4}, {17, 65536, 4}, {3, 1, 4}, {3, 1 << 21, 4}, {3, 65536, 0}, {3, -1, 4}, {3, 65536, 256}} {
		if _, err := release.OpenKey(fmt.Appendf(nil, now, work[0], work[1], work[2]), "12345678"); err == nil || errors.Is(err, release.ErrPassphrase) {
			t.Errorf("%v: %v", work, err)
		}
	}
	for _, file := range []string{"", "{}", "nonsense", strings.Repeat(" ", 1<<13), fmt.Sprintf(form, 1), fmt.Sprintf(form, 1<<40), fmt.Sprintf(form, -1)} {
		if _, err := release.OpenKey([]byte(file), "12345678"); err == nil || errors.Is(err, release.ErrPassphrase) {
			t.Errorf("%.60q: %v", file, err)
		}
	}
}

// TestSignedFiles: no flipped bit, no other person, kind or file is taken.
func TestSignedFiles(t *testing.T) {
	k, other := newKey(t, "4711"), newKey(t, "4712")
	known := ring{"4711": k.Public(), "4712": other.Public(), "short": {1}}
	file := k.SignFile("note", []byte("{\n\n\"text\":\"x\"}"))
	if s, err := release.OpenSigned(file, known); err != nil || string(s.Body) != "{\n\n\"text\":\"x\"}" {
		t.Fatalf("%+v, %v", s, err)
	}
	for i := range len(file) * 8 {
		b := bytes.Clone(file)
		b[i/8] ^= 1 << (i % 8)
		if s, err := release.OpenSigned(b, known); err == nil {
			t.Errorf("bit %d flipped: %+v", i, s)
		}
	}
	for name, b := range map[string][]byte{
		"nothing": nil, "cut": file[:len(file)-1], "longer": append(bytes.Clone(file), 'x'), "huge": make([]byte, release.MaxSigned+1),
		"another person": bytes.Replace(file, []byte("by 4711"), []byte("by 4712"), 1),
		"another kind":   bytes.Replace(file, []byte("kind note"), []byte("kind limits"), 1),
		"unknown":        newKey(t, "nobody").SignFile("note", nil),
		"bad key":        bytes.Replace(file, []byte("by 4711"), []byte("by short"), 1),
		"forged":         bytes.Replace(other.SignFile("note", []byte("{}")), []byte("by 4712"), []byte("by 4711"), 1),
	} {
		if s, err := release.OpenSigned(b, known); err == nil {
			t.Errorf("%s: %+v", name, s)
		}
	}
}

func FuzzOpenSigned(f *testing.F) {
	k := newKey(f, "4711")
	f.Add(k.SignFile("note", []byte("{}")))
	f.Add([]byte("panecal signed 1\nkind note\nby 4711\ned25519 AAAA\n\n"))
	f.Fuzz(func(t *testing.T, file []byte) {
		if s, err := release.OpenSigned(file, ring{"4711": k.Public()}); err == nil && s.Person != "4711" {
			t.Errorf("%+v", s)
		}
	})
}
