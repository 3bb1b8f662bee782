package main

import (
	"fmt"
	"os"
	"path/filepath"
	"slices"

	"example.org/panecal/limits"
	"example.org/panecal/station"
	"example.org/panecal/station/product"
)

// catalogue is every set of released files that this station may run, in the
// order of the configuration. The label of a unit decides which one is for it;
// the operator never chooses.
type catalogue []*station.Files

// readCatalogue reads all files that the configuration names. A bad file
// refuses the whole: a station does not start on half its papers.
func readCatalogue(c configuration) (catalogue, error) {
	data, err := os.ReadFile(c.file(c.Sheet))
	if err != nil {
		return nil, fmt.Errorf("reading the station sheet: %w", err)
	}
	sheet, err := product.ReadSheet(c.Sheet, data)
	if err != nil {
		return nil, fmt.Errorf("the station sheet cannot be used:\n%w", err)
	}
	if sheet.Station != c.Station {
		return nil, refusedError(fmt.Errorf("the sheet %s is for station %q, the configuration says %q: use the sheet of this station", c.Sheet, sheet.Station, c.Station))
	}
	if len(c.Products) == 0 {
		return nil, fmt.Errorf("%s: products is empty: name at least one product file", c.path)
	}
	var all catalogue
	for _, name := range c.Products {
		f, err := readProduct(c, name, sheet)
		if err != nil {
			return nil, err
		}
		all = append(all, f)
	}
	return all, nil
}

func readProduct(c configuration, name string, sheet *product.Sheet) (*station.Files, error) {
	path := c.file(name)
	data, err := os.ReadFile(path)
	if err != nil {
		return nil, fmt.Errorf("reading a product file: %w", err)
	}
	p, err := product.Read(name, data)
	if err != nil {
		return nil, fmt.Errorf("the product file cannot be used:\n%w", err)
	}
	if p.LimitsFile == "" {
		return nil, fmt.Errorf("%s names no limits file: add limits = \"%s.limits.toml\"", name, p.Name)
	}
	lpath := p.LimitsFile
	if !filepath.IsAbs(lpath) {
		lpath = filepath.Join(filepath.Dir(path), lpath)
	}
	data, err = os.ReadFile(lpath)
	if err != nil {
		return nil, fmt.Errorf("reading the limits of %s: %w", p.Name, err)
	}
	l, err := limits.Read(p.LimitsFile, data)
	if err != nil {
		return nil, fmt.Errorf("the limits file cannot be used:\n%w", err)
	}
	f, err := station.NewFiles(p, l, sheet)
	if err != nil {
		return nil, refusedError(fmt.Errorf("%s: %w", name, err))
	}
	return f, nil
}

// of finds the files that a label belongs to, and false where its form is of
// none of the products.
func (c catalogue) of(text string) (*station.Files, bool) {
	i := slices.IndexFunc(c, func(f *station.Files) bool {
		_, err := f.Product.Label.Rules.Parse(text)
		return err == nil
	})
	if i < 0 {
		return nil, false
	}
	return c[i], true
}

// serials are what the labels of units say, which the configuration names.
func (c catalogue) serials(labels []string) ([]string, error) {
	var all []string
	for _, text := range labels {
		f, ok := c.of(text)
		if !ok {
			return nil, fmt.Errorf("check_units: %q is the label of none of this station's products: write the label as it is printed", text)
		}
		l, err := f.Product.Label.Rules.Parse(text)
		if err != nil {
			return nil, fmt.Errorf("check_units: %w", err)
		}
		all = append(all, l.Serial)
	}
	return all, nil
}

// revision finds the files with a revision that somebody insists on; a prefix
// of at least eight digits will do.
func (c catalogue) revision(text string) (*station.Files, error) {
	for _, f := range c {
		for _, r := range []string{f.Limits.Revision, f.Product.Revision} {
			if len(text) >= 8 && len(r) >= len(text) && r[:len(text)] == text {
				return f, nil
			}
		}
	}
	return nil, refusedError(fmt.Errorf("revision %s is not among the released files of this station: check the configuration's products", text))
}

// onPorts gives the same files with nests of their own: one per port, each
// with the fixture of the sheet's nest that has this port, else of the nest
// named, else of the first.
func (c catalogue) onPorts(ports []string, nest string) (catalogue, error) {
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
	var all catalogue
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
		return product.Nest{}, usageError(fmt.Errorf("the station sheet has no nest %q", name))
	}
	return nests[i], nil
}
