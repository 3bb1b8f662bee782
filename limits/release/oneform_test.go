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
	if _, err := release.OpenSigned(file, keys); err != nil {
		t.Fatal(err)
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
