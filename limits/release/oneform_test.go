package release_test

import (
	"bytes"
	"testing"

	"example.org/panecal/limits/release"
)

// TestSignedFileHasOneForm: no other bytes hold the same signed message, so that
// one file cannot come back as many.
func TestSignedFileHasOneForm(t *testing.T) {
	key, err := release.NewKey("4711")
	if err != nil {
		t.Fatal(err)
	}
	keys := ring{"4711": key.Public()}
	file := key.SignFile("note", []byte("a body"))
	said, err := release.OpenSigned(file, keys)
	if err != nil {
		t.Fatal(err)
	}
	// Records of older programs may hold another form: it is the same message.
	if !said.Same(file) || !said.Same(bytes.Replace(file, []byte("\n\n"), []byte("\r\n\n"), 1)) || said.Same(key.SignFile("note", []byte("another"))) {
		t.Error("what is the same message is not told")
	}
	at := bytes.Index(file, []byte("ed25519 ")) + len("ed25519 ")
	for i := at; i <= at+88; i++ {
		for _, more := range []string{"\r", "\n", " ", "="} {
			bad := append(append(append([]byte{}, file[:i]...), more...), file[i:]...)
			if _, err := release.OpenSigned(bad, keys); err == nil {
				t.Errorf("%q at byte %d: taken", more, i)
			}
		}
	}
}

// TestReleasedSignatureHasOneForm: the same of a released file.
func TestReleasedSignatureHasOneForm(t *testing.T) {
	a, b := newKey(t, "a"), newKey(t, "b")
	keys := ring{"a": a.Public(), "b": b.Public()}
	d, err := release.Seal("limits", map[string]any{"x": int64(1)}, release.Header{Author: "a", Approver: "b"})
	if err != nil {
		t.Fatal(err)
	}
	for _, k := range []release.Key{a, b} {
		d.Signature = append(d.Signature, k.Sign(&d))
	}
	if err := d.Verify(keys); err != nil {
		t.Fatal(err)
	}
	good := d.Signature[0].Ed25519
	for i := range len(good) + 1 {
		for _, more := range []string{"\r", "\n", " ", "="} {
			d.Signature[0].Ed25519 = good[:i] + more + good[i:]
			if err := d.Verify(keys); err == nil {
				t.Errorf("%q at byte %d: taken", more, i)
			}
		}
	}
}

// TestPersonIsNoPath: a person's name becomes a part of file names.
func TestPersonIsNoPath(t *testing.T) {
	for _, name := range []string{"../..", "a/b", `a\b`, ".", ".hidden", "c:d", "a*", ""} {
		if _, err := release.NewKey(name); err == nil {
			t.Errorf("%q was taken", name)
		}
	}
	for _, name := range []string{"4711", "j.doe", "j_doe-2"} {
		if _, err := release.NewKey(name); err != nil {
			t.Errorf("%q: %v", name, err)
		}
	}
}
