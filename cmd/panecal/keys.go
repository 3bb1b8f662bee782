package main

import (
	"crypto/ed25519"
	"encoding/base64"
	"fmt"

	"example.org/panecal/limits/strict"
)

// people are the persons whose signature this station knows, with their public
// keys; it is a release.Keys.
type people map[string]ed25519.PublicKey

func (p people) Key(person string) (ed25519.PublicKey, bool) { k, ok := p[person]; return k, ok }

// keysFile is the file that `keys` in the configuration names.
type keysFile struct {
	Key []struct {
		Person  string `toml:"person" need:"add person = \"…\", the name that the key was made for"`
		Ed25519 string `toml:"ed25519" need:"add ed25519 = \"…\", as panecal key new prints it"`
	} `toml:"key"`
}

// mostPeople is how many keys a station knows.
const mostPeople = 1000

// readPeople reads the public keys that the configuration names; nil where it
// names none.
func readPeople(c configuration) (people, error) {
	if c.Keys == "" {
		return nil, nil
	}
	path := c.file(c.Keys)
	data, err := readTrusted(path)
	if err != nil {
		return nil, fmt.Errorf("reading the keys of people: %w", err)
	}
	var f keysFile
	d, err := strict.Decode(path, data, &f)
	if err == nil {
		all := people{}
		for i, k := range f.Key {
			at := []string{"key", fmt.Sprint(i)}
			public, err := base64.StdEncoding.Strict().DecodeString(k.Ed25519)
			switch {
			case err != nil || len(public) != ed25519.PublicKeySize:
				d.Report("this is no ed25519 public key in base64", "write what `panecal key new` or `panecal key show` printed", append(at, "ed25519")...)
			case all[k.Person] != nil:
				d.Report(fmt.Sprintf("%q has a key already", k.Person), "leave one of the two out", append(at, "person")...)
			case len(all) == mostPeople:
				d.Report("too many keys", fmt.Sprintf("name at most %d persons", mostPeople), "key")
			default:
				all[k.Person] = public
			}
		}
		if err = d.Err(); err == nil {
			return all, nil
		}
	}
	return nil, fmt.Errorf("the keys of people cannot be used:\n%w", err)
}
