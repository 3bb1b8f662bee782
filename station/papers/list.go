package papers

import (
	"cmp"
	"errors"
	"fmt"
	"io/fs"
	"maps"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"example.org/panecal/limits"
	"example.org/panecal/limits/guard"
	"example.org/panecal/limits/release"
	"example.org/panecal/station"
	"example.org/panecal/station/label"
	"example.org/panecal/station/product"
	"example.org/panecal/station/roster"
)

// List names the files that a station may work by; those that are not absolute
// are in Folder.
type List struct {
	Folder   string
	Station  string // whose they have to be
	Sheet    string
	Products []string // each names its limits file
	Roster   string   // "" for none

	// Once one of them is an engineer, files are in force only if two
	// engineers signed them: the author and the approver.
	People People
	Now    time.Time // files not yet or no longer effective are refused; zero: none is
}

// ErrRefused: a file is sound and yet not in force here.
var ErrRefused = errors.New("not in force")

// admit refuses a document that may not be worked by.
func (p List) admit(name string, d *release.Document) error {
	engineers := p.People.Engineers()
	if len(d.Signature) > 0 || len(engineers) > 0 {
		err := d.Verify(engineers)
		switch {
		case err == nil:
		case len(engineers) == 0: // nobody here can tell yet
		case errors.Is(err, release.ErrUnsigned):
			return fmt.Errorf("%s: %w: it is not signed, and engineers of this station have keys: let %s sign it as author and approver", name, ErrRefused, names(engineers))
		default:
			return fmt.Errorf("%s: %w: %w: let %s sign it as author and approver", name, ErrRefused, err, names(engineers))
		}
	}
	if err := d.InForce(p.Now); err != nil && !p.Now.IsZero() {
		return fmt.Errorf("%s: %w: %w", name, ErrRefused, err)
	}
	return nil
}

// Waiting ends the name of a file that waits beside the one in force until it
// is effective.
const Waiting = ".next"

// inForce reads the file at path, or the one that waits beside it once that is
// effective. wanted and what are what people call it, sought and found.
func inForce[F any](p List, path, wanted, what string, read func(name string, data []byte) (F, error), document func(F) *release.Document) (F, error) {
	var none F
	one := func(path string) (F, error) {
		data, err := guard.Read(path)
		if err != nil {
			return none, fmt.Errorf("reading %s: %w", wanted, err)
		}
		f, err := read(filepath.Base(path), data)
		if err != nil {
			return none, fmt.Errorf("%s cannot be used:\n%w", what, err)
		}
		return f, nil
	}
	next, err := one(path + Waiting)
	switch {
	case errors.Is(err, fs.ErrNotExist):
	case err != nil:
		return none, err
	case !p.Now.IsZero() && !errors.Is(document(next).InForce(p.Now), release.ErrEarly):
		return next, p.admit(filepath.Base(path)+Waiting, document(next))
	}
	f, err := one(path)
	if err != nil {
		return none, err
	}
	return f, p.admit(filepath.Base(path), document(f))
}

// ReadRoster reads the roster. It is admitted by its own engineers, and a later one
// that waits beside it by those of the one before.
func (p List) ReadRoster(name string, site *time.Location) (*roster.Roster, error) {
	path := p.file(name)
	data, err := guard.Read(path)
	if err != nil {
		return nil, fmt.Errorf("reading the roster: %w", err)
	}
	first, err := roster.Read(filepath.Base(path), data)
	if err != nil {
		return nil, fmt.Errorf("the roster cannot be used:\n%w", err)
	}
	p.People = OfRoster(first, p.Now, site)
	return inForce(p, path, "the roster", "the roster", roster.Read, func(r *roster.Roster) *release.Document { return &r.Document })
}

// names lists some people for a message.
func names(p People) string {
	const most = 4
	p = maps.Clone(p)
	maps.DeleteFunc(p, func(_ string, one Person) bool { return one.Key == nil })
	all := slices.Sorted(maps.Keys(p))
	if len(all) < 2 {
		return "two engineers"
	}
	return "two of " + strings.Join(all[:min(len(all), most)], ", ")
}

func (p List) file(name string) string {
	if filepath.IsAbs(name) {
		return name
	}
	return filepath.Join(p.Folder, name)
}

// Read reads all the papers. A bad file refuses the whole: a station does not
// start on half its papers. Files that do not belong together are a
// station.ErrMismatch.
func (p List) Read() (Catalogue, error) {
	sheet, err := inForce(p, p.file(p.Sheet), "the station sheet", "the station sheet", product.ReadSheet, func(s *product.Sheet) *release.Document { return &s.Document })
	if err != nil {
		return nil, err
	}
	if sheet.Station != p.Station {
		return nil, fmt.Errorf("%w: the sheet %s is for station %q, the configuration says %q: use the sheet of this station, which %s can give", station.ErrMismatch, p.Sheet, sheet.Station, p.Station, cmp.Or(sheet.Author, "its author"))
	}
	var all Catalogue
	for _, name := range p.Products {
		f, err := p.product(name, sheet)
		if err != nil {
			return nil, err
		}
		for _, g := range all {
			if serial, both := label.Overlap(g.Product.Label.Rules, f.Product.Label.Rules); both {
				return nil, fmt.Errorf("%w: products %s and %s both claim the label %s: make their label patterns exclude each other", station.ErrMismatch, g.Product.Name, f.Product.Name, serial)
			}
		}
		all = append(all, f)
	}
	return all, nil
}

func (p List) product(name string, sheet *product.Sheet) (*station.Files, error) {
	path := p.file(name)
	of, err := inForce(p, path, "a product file", "the product file", product.Read, func(f *product.Product) *release.Document { return &f.Document })
	if err != nil {
		return nil, err
	}
	if of.LimitsFile == "" {
		return nil, fmt.Errorf("%s names no limits file: add limits = \"%s.limits.toml\"", name, of.Name)
	}
	l, err := inForce(p, List{Folder: filepath.Dir(path)}.file(of.LimitsFile), "the limits of "+of.Name, "the limits file", limits.Read, func(f *limits.File) *release.Document { return &f.Document })
	if err != nil {
		return nil, err
	}
	f, err := station.NewFiles(of, l, sheet)
	if err != nil {
		return nil, fmt.Errorf("%s: %w: ask %s for the right one", name, err, cmp.Or(l.Author, "the author of the limits"))
	}
	return f, nil
}
