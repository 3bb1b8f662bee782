package papers

import (
	"crypto/ed25519"
	"encoding/base64"
	"fmt"
	"maps"
	"slices"
	"time"

	"example.org/panecal/limits/strict"
	"example.org/panecal/station/roster"
)

// People are the persons whose signature this station knows; they are a
// release.Keys.
type People map[string]Person

// Person is what the station knows of one of them.
type Person struct {
	Key      ed25519.PublicKey
	Engineer bool // may write and approve released files
	Decides  bool // may take units off hold and scrap them
	Ended    bool // valid_until has passed: what was signed holds, nothing new does
}

// Key returns a person's public key, and false where none is known.
func (p People) Key(person string) (ed25519.PublicKey, bool) {
	one, ok := p[person]
	return one.Key, ok && one.Key != nil
}

// Engineers are those who may release.
func (p People) Engineers() People {
	some := maps.Clone(p)
	maps.DeleteFunc(some, func(_ string, one Person) bool { return !one.Engineer })
	return some
}

// Current are those whose new signatures count.
func (p People) Current() People {
	some := maps.Clone(p)
	maps.DeleteFunc(some, func(_ string, one Person) bool { return one.Ended })
	return some
}

// Deciders are those who may decide about units: leads and engineers, and who
// else is named.
func (p People) Deciders(named []string) People {
	some := maps.Clone(p)
	maps.DeleteFunc(some, func(id string, one Person) bool { return !one.Decides && !slices.Contains(named, id) })
	return some
}

// OfRoster are the keys of the roster's people at that time. An engineer whose
// key was revoked stays among them without a key: files have to be signed all
// the same.
func OfRoster(r *roster.Roster, now time.Time, site *time.Location) People {
	all := People{}
	for _, p := range r.People {
		if p.Key == nil {
			continue
		}
		one := Person{Engineer: p.Has(roster.Engineer), Decides: p.Has(roster.Lead, roster.Engineer) && p.Valid(now, site), Ended: !p.Valid(now, site)}
		if !p.Withdrawn(now, site) {
			one.Key = p.Key
		}
		if one.Key != nil || one.Engineer {
			all[p.ID] = one
		}
	}
	return all
}

// engineer is the one role that a keys file knows.
const engineer = "engineer"

// keysFile is a file of public keys.
type keysFile struct {
	Key []struct {
		Person  string `toml:"person" need:"add person = \"…\", the name that the key was made for"`
		Ed25519 string `toml:"ed25519" need:"add ed25519 = \"…\", as panecal key new prints it"`
		Role    string `toml:"role"`
	} `toml:"key"`
}

// mostPeople is how many keys a station knows.
const mostPeople = 1000

// ReadPeople reads a file of public keys; name is what errors call it.
func ReadPeople(name string, data []byte) (People, error) {
	var f keysFile
	d, err := strict.Decode(name, data, &f)
	if err == nil {
		all := People{}
		for i, k := range f.Key {
			at := []string{"key", fmt.Sprint(i)}
			public, err := base64.StdEncoding.Strict().DecodeString(k.Ed25519)
			switch {
			case err != nil || len(public) != ed25519.PublicKeySize:
				d.Report("this is no ed25519 public key in base64", "write what `panecal key new` or `panecal key show` printed", append(at, "ed25519")...)
			case k.Role != "" && k.Role != engineer:
				d.Report(fmt.Sprintf("there is no role %q", k.Role), `write role = "engineer" for who may release files, or leave it out`, append(at, "role")...)
			case all[k.Person].Key != nil:
				d.Report(fmt.Sprintf("%q has a key already", k.Person), "leave one of the two out", append(at, "person")...)
			case len(all) == mostPeople:
				d.Report("too many keys", fmt.Sprintf("name at most %d persons", mostPeople), "key")
			default:
				all[k.Person] = Person{Key: public, Engineer: k.Role == engineer, Decides: k.Role == engineer}
			}
		}
		if err = d.Err(); err == nil {
			return all, nil
		}
	}
	return nil, fmt.Errorf("the keys of people cannot be used:\n%w", err)
}
