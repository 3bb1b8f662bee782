package papers

import (
	"errors"
	"fmt"
	"slices"
	"strings"

	"example.org/panecal/station"
	"example.org/panecal/station/label"
	"example.org/panecal/station/product"
)

// Catalogue is every set of released files that this station may run, in the
// order of its list. The label of a unit decides which one is for it; nobody
// chooses.
type Catalogue []*station.Files

// Read reads a label as the station does, by the rules of the product that it
// belongs to. Where it is of none, the files are nil and the error is that of
// the first product's rules.
func (c Catalogue) Read(text string) (*station.Files, label.Label, error) {
	var first error
	for _, f := range c {
		l, err := f.ReadLabel(text)
		if err == nil {
			return f, l, nil
		}
		if first == nil {
			first = err
		}
	}
	return nil, label.Label{}, first
}

// Serial is that of a label, or the label itself where it is none of ours.
func (c Catalogue) Serial(text string) string {
	if f, l, _ := c.Read(text); f != nil {
		return l.Serial
	}
	return text
}

// Revision finds the files with a revision that somebody insists on; a prefix
// of at least eight digits will do. False: none has it.
func (c Catalogue) Revision(text string) (*station.Files, bool) {
	for _, f := range c {
		for _, r := range []string{f.Limits.Revision, f.Product.Revision} {
			if len(text) >= 8 && strings.HasPrefix(r, text) {
				return f, true
			}
		}
	}
	return nil, false
}

// ErrNoNest: the station sheet has no nest of that name.
var ErrNoNest = errors.New("the station sheet has no nest")

// OnPorts gives the same files with the nests of these ports: each the sheet's
// nest that has this port, else the nest named, else the first that no port has
// yet. Light groups are the sheet's; where more ports than nests are given, the
// last stand at the first nest, and only their names are told apart.
func (c Catalogue) OnPorts(ports []string, nest string) (Catalogue, error) {
	sheet := *c[0].Sheet
	sheet.Nests = nil
	taken := map[string]int{}
	for _, port := range ports {
		n, err := pick(c[0].Sheet.Nests, ports, port, nest, taken)
		if err != nil {
			return nil, err
		}
		n.Port = port
		if taken[n.Name]++; taken[n.Name] > 1 {
			n.Name = fmt.Sprintf("%s.%d", n.Name, taken[n.Name])
		}
		sheet.Nests = append(sheet.Nests, n)
	}
	var all Catalogue
	for _, f := range c {
		g, err := station.NewFiles(f.Product, f.Limits, &sheet)
		if err != nil {
			return nil, err
		}
		all = append(all, g)
	}
	return all, nil
}

func pick(nests []product.Nest, ports []string, port, name string, taken map[string]int) (product.Nest, error) {
	at := slices.IndexFunc(nests, func(n product.Nest) bool { return n.Port == port })
	if name != "" {
		at = slices.IndexFunc(nests, func(n product.Nest) bool { return n.Name == name })
		if at < 0 {
			return product.Nest{}, fmt.Errorf("%w %q", ErrNoNest, name)
		}
	}
	if at < 0 {
		at = slices.IndexFunc(nests, func(n product.Nest) bool { return taken[n.Name] == 0 && !slices.Contains(ports, n.Port) })
	}
	return nests[max(at, 0)], nil
}
