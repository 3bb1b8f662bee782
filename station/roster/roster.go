package roster

import (
	"crypto/ed25519"
	"encoding/base64"
	"fmt"
	"slices"
	"strconv"
	"time"

	"example.org/panecal/limits/release"
	"example.org/panecal/limits/strict"
)

// Kind is what the roster is called among released files.
const Kind = "roster"

// Roster is one revision of the released file.
type Roster struct {
	People []Person
	release.Document
}

// personTable is a person as the file has it. Dates are read by hand: a date, a
// time and a date in quotes will do, and revoked may be true.
type personTable struct {
	ID           string   `toml:"id" need:"add id = \"p1\", a pseudonym; only it goes on record"`
	Roles        []string `toml:"roles" need:"add roles = [\"operator\"]"`
	TrainedUntil any      `toml:"trained_until"`
	ValidUntil   any      `toml:"valid_until"`
	Revoked      any      `toml:"revoked"`
	Key          string   `toml:"key"`
}

type rosterTable struct {
	Release release.Header `toml:"release"`
	Person  []personTable  `toml:"person"`
}

// mostPeople is how many persons a roster has room for.
const mostPeople = 5000

// Read reads a roster; name is for messages only. The error is strict.Faults.
// Signatures are not verified: Signed is false.
func Read(name string, data []byte) (*Roster, error) {
	var t rosterTable
	d, err := strict.Decode(name, data, &t)
	if err != nil {
		return nil, err
	}
	if key, problem, mend := t.Release.Problem(); key != "" {
		d.Report(problem, mend, "release", key)
	}
	if len(t.Person) > mostPeople {
		d.Report(fmt.Sprintf("%d persons", len(t.Person)), fmt.Sprintf("name at most %d", mostPeople), "person")
	}
	r := &Roster{}
	for i, p := range t.Person {
		one := p.person(func(key, problem, mend string) { d.Report(problem, mend, "person", strconv.Itoa(i), key) })
		if _, twice := r.Person(one.ID); twice {
			d.Report(fmt.Sprintf("%q is here twice", p.ID), "give each person a pseudonym of its own, and never one that somebody had", "person", strconv.Itoa(i), "id")
		}
		r.People = append(r.People, one)
	}
	if err := d.Err(); err != nil {
		return nil, err
	}
	if r.Document, err = release.Seal(Kind, d.Content(), t.Release); err != nil {
		return nil, fmt.Errorf("reading %s: %w", name, err)
	}
	return r, nil
}

func (t personTable) person(report func(key, problem, mend string)) Person {
	p := Person{ID: t.ID}
	if !plainID(t.ID) {
		report("id", fmt.Sprintf("%q is no pseudonym", t.ID), "use 1 to 32 letters, digits, dots and dashes, such as p1; no name and no badge")
	}
	for _, text := range t.Roles {
		r := Role(text)
		if !slices.Contains(Roles(), r) {
			report("roles", fmt.Sprintf("there is no role %q", text), fmt.Sprintf("use some of %q", Roles()))
		}
		p.Roles = append(p.Roles, r)
	}
	for _, day := range []struct {
		key string
		v   any
		to  *Day
	}{{"trained_until", t.TrainedUntil, &p.TrainedUntil}, {"valid_until", t.ValidUntil, &p.ValidUntil}, {"revoked", t.Revoked, &p.Revoked}} {
		if yes, is := day.v.(bool); is && day.key == "revoked" {
			if yes {
				p.Revoked = Day{1, 1, 1}
			}
			continue
		}
		var ok bool
		if *day.to, ok = readDay(day.v); !ok {
			report(day.key, fmt.Sprintf("%v is no date", day.v), "write a date such as "+day.key+" = 2027-01-31")
		}
	}
	if t.Key != "" {
		public, err := base64.StdEncoding.Strict().DecodeString(t.Key)
		if err != nil || len(public) != ed25519.PublicKeySize {
			report("key", "this is no ed25519 public key in base64", "write what `panecal key show` prints")
		}
		p.Key = public
	}
	return p
}

// plainID tells whether a text can stand for a person on record.
func plainID(id string) bool {
	for _, r := range id {
		if !(r >= 'a' && r <= 'z' || r >= 'A' && r <= 'Z' || r >= '0' && r <= '9' || r == '-' || r == '.' || r == '_') {
			return false
		}
	}
	return id != "" && len(id) <= 32
}

// Person finds a person, and false where there is none.
func (r *Roster) Person(id string) (Person, bool) {
	i := slices.IndexFunc(r.People, func(p Person) bool { return p.ID == id })
	if i < 0 {
		return Person{}, false
	}
	return r.People[i], true
}

// Keys are the keys of those who have one of the roles and were not revoked by
// then; of all who were not, where no role is given.
func (r *Roster) Keys(now time.Time, site *time.Location, some ...Role) Keys {
	all := Keys{}
	for _, p := range r.People {
		if p.Key != nil && !p.Withdrawn(now, site) && (len(some) == 0 || p.Has(some...)) {
			all[p.ID] = p.Key
		}
	}
	return all
}

// Keys are public keys by person; they are a release.Keys.
type Keys map[string]ed25519.PublicKey

// Key returns a person's public key, and false where none is known.
func (k Keys) Key(person string) (ed25519.PublicKey, bool) { one, ok := k[person]; return one, ok }
