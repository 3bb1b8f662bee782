package papers

import (
	"encoding/base64"
	"fmt"
	"strings"
	"testing"

	"example.org/panecal/limits/release"
)

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
		all, err := ReadPeople("keys.toml", []byte(text))
		if want == "" && (err != nil || !all["4711"].Key.Equal(key.Public())) || want != "" && (err == nil || !strings.Contains(err.Error(), want)) {
			t.Errorf("%s%v, want %q", text, err, want)
		}
	}
}
