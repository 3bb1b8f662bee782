package roster

import (
	"fmt"
	"slices"
	"strconv"
	"strings"

	"example.org/panecal/limits/strict"
)

// PeopleFile is the name of the file of badges, beside the roster.
const PeopleFile = "people.toml"

// People are badges, names and PIN verifiers, by pseudonym. Nothing of it may
// reach a log, a record or a report.
type People struct{ list []Badge }

// Badge is a person's line in the file.
type Badge struct {
	ID   string   `toml:"id" need:"add id = \"p1\", the person's pseudonym in the roster"`
	Name string   `toml:"name"`
	Text string   `toml:"badge"` // what the badge says when it is scanned
	PIN  Verifier `toml:"pin"`
}

type peopleTable struct {
	Person []Badge `toml:"person"`
}

// ReadPeople reads the file of badges. Its messages name places and pseudonyms,
// never a badge or a name.
func ReadPeople(name string, data []byte) (*People, error) {
	var t peopleTable
	d, err := strict.Decode(name, data, &t)
	if err != nil {
		return nil, err
	}
	p := &People{}
	for i, b := range t.Person {
		report := func(key, problem, mend string) { d.Report(problem, mend, "person", strconv.Itoa(i), key) }
		b.Text = strings.TrimSpace(b.Text)
		if slices.ContainsFunc(p.list, func(o Badge) bool { return o.ID == b.ID }) {
			report("id", fmt.Sprintf("%q is here twice", b.ID), "leave one of the two out")
		}
		if slices.ContainsFunc(p.list, func(o Badge) bool { return o.Text == b.Text && b.Text != "" }) {
			report("badge", "another person has this badge", "give each person a badge of its own")
		}
		if _, err := b.PIN.parse(); b.PIN != "" && err != nil {
			report("pin", err.Error(), "set it with `panecal roster pin`")
		}
		p.list = append(p.list, b)
	}
	if err := d.Err(); err != nil {
		return nil, err
	}
	return p, nil
}

// Of finds a person's line, and false where there is none.
func (p *People) Of(id string) (Badge, bool) {
	i := slices.IndexFunc(p.list, func(b Badge) bool { return b.ID == id })
	if i < 0 {
		return Badge{}, false
	}
	return p.list[i], true
}

// IDs are the pseudonyms that have a line.
func (p *People) IDs() []string {
	var all []string
	for _, b := range p.list {
		all = append(all, b.ID)
	}
	return all
}

// Put puts a person's line in the place of the former one, or adds it.
func (p *People) Put(b Badge) {
	if i := slices.IndexFunc(p.list, func(o Badge) bool { return o.ID == b.ID }); i >= 0 {
		p.list[i] = b
		return
	}
	p.list = append(p.list, b)
}

// Delete takes a person's line out.
func (p *People) Delete(id string) {
	p.list = slices.DeleteFunc(p.list, func(b Badge) bool { return b.ID == id })
}

// badge is whose badge a text is.
func (p *People) badge(text string) (Badge, bool) {
	i := slices.IndexFunc(p.list, func(b Badge) bool { return b.Text == text })
	if i < 0 || text == "" {
		return Badge{}, false
	}
	return p.list[i], true
}

// File is the file's text.
func (p *People) File() []byte {
	var b strings.Builder
	b.WriteString("# Badges, names and PIN verifiers. Keep this file on this computer, readable by the station alone.\n" +
		"# Deleting a person here leaves the pseudonym in the roster and in the records.\n")
	for _, one := range p.list {
		fmt.Fprintf(&b, "\n[[person]]\nid = %s\nname = %s\nbadge = %s\n", quote(one.ID), quote(one.Name), quote(one.Text))
		if one.PIN != "" {
			fmt.Fprintf(&b, "pin = %s\n", quote(string(one.PIN)))
		}
	}
	return []byte(b.String())
}

// quote writes a text as a TOML basic string.
func quote(s string) string {
	var b strings.Builder
	b.WriteByte('"')
	for _, r := range s {
		switch {
		case r == '"' || r == '\\':
			b.WriteByte('\\')
			b.WriteRune(r)
		case r < ' ' || r == 0x7f:
			fmt.Fprintf(&b, `\u%04X`, r)
		default:
			b.WriteRune(r)
		}
	}
	b.WriteByte('"')
	return b.String()
}
