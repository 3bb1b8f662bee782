package shift

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"example.org/panecal/limits"
	"example.org/panecal/station"
	"example.org/panecal/station/label"
	"example.org/panecal/station/product"
)

// Papers are the names of the files that a station may work by; those that are
// not absolute are in Folder.
type Papers struct {
	Folder   string
	Station  string // whose they have to be
	Sheet    string
	Products []string // each names its limits file
}

func (p Papers) file(name string) string {
	if filepath.IsAbs(name) {
		return name
	}
	return filepath.Join(p.Folder, name)
}

// Catalogue is every set of released files that this station may run, in the
// order of its papers. The label of a unit decides which one is for it; nobody
// chooses.
type Catalogue []*station.Files

// Read reads all the papers. A bad file refuses the whole: a station does not
// start on half its papers. Files that do not belong together are a
// station.ErrMismatch.
func (p Papers) Read() (Catalogue, error) {
	data, err := os.ReadFile(p.file(p.Sheet))
	if err != nil {
		return nil, fmt.Errorf("reading the station sheet: %w", err)
	}
	sheet, err := product.ReadSheet(p.Sheet, data)
	if err != nil {
		return nil, fmt.Errorf("the station sheet cannot be used:\n%w", err)
	}
	if sheet.Station != p.Station {
		return nil, fmt.Errorf("%w: the sheet %s is for station %q, the configuration says %q: use the sheet of this station", station.ErrMismatch, p.Sheet, sheet.Station, p.Station)
	}
	var all Catalogue
	for _, name := range p.Products {
		f, err := p.product(name, sheet)
		if err != nil {
			return nil, err
		}
		all = append(all, f)
	}
	return all, nil
}

func (p Papers) product(name string, sheet *product.Sheet) (*station.Files, error) {
	path := p.file(name)
	data, err := os.ReadFile(path)
	if err != nil {
		return nil, fmt.Errorf("reading a product file: %w", err)
	}
	of, err := product.Read(name, data)
	if err != nil {
		return nil, fmt.Errorf("the product file cannot be used:\n%w", err)
	}
	if of.LimitsFile == "" {
		return nil, fmt.Errorf("%s names no limits file: add limits = \"%s.limits.toml\"", name, of.Name)
	}
	data, err = os.ReadFile(Papers{Folder: filepath.Dir(path)}.file(of.LimitsFile))
	if err != nil {
		return nil, fmt.Errorf("reading the limits of %s: %w", of.Name, err)
	}
	l, err := limits.Read(of.LimitsFile, data)
	if err != nil {
		return nil, fmt.Errorf("the limits file cannot be used:\n%w", err)
	}
	f, err := station.NewFiles(of, l, sheet)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", name, err)
	}
	return f, nil
}

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

// OnPorts gives the same files with nests of their own: one per port, each
// with the fixture of the sheet's nest that has this port, else of the nest
// named, else of the first.
func (c Catalogue) OnPorts(ports []string, nest string) (Catalogue, error) {
	sheet := *c[0].Sheet
	sheet.Nests = nil
	for i, port := range ports {
		n, err := pick(c[0].Sheet.Nests, port, nest)
		if err != nil {
			return nil, err
		}
		n.Port = port
		if len(ports) > 1 {
			n.Name = fmt.Sprintf("%s.%d", n.Name, i+1)
			n.LightGroup = fmt.Sprintf("%s %d", n.LightGroup, i+1)
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

func pick(nests []product.Nest, port, name string) (product.Nest, error) {
	if i := slices.IndexFunc(nests, func(n product.Nest) bool { return n.Port == port }); i >= 0 && name == "" {
		return nests[i], nil
	}
	if name == "" {
		return nests[0], nil
	}
	i := slices.IndexFunc(nests, func(n product.Nest) bool { return n.Name == name })
	if i < 0 {
		return product.Nest{}, fmt.Errorf("%w %q", ErrNoNest, name)
	}
	return nests[i], nil
}
