package papers

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"

	"example.org/panecal/limits"
	"example.org/panecal/limits/guard"
	"example.org/panecal/limits/release"
	"example.org/panecal/limits/strict"
	"example.org/panecal/station/product"
	"example.org/panecal/station/roster"
)

// Released is a file of any kind that is released.
type Released struct {
	Text []byte
	Doc  release.Document
	Of   string // product or station that it is for, "" for a roster
}

// ReadAny reads and checks a released file of any kind; name is what errors
// call it.
func ReadAny(name string, data []byte) (Released, error) {
	var top map[string]any
	d, err := strict.Decode(name, data, &top)
	if err != nil {
		return Released{}, err
	}
	f := Released{Text: data}
	switch {
	case d.Has("limit"):
		l, err := limits.Read(name, data)
		if err != nil {
			return f, fmt.Errorf("the limits file cannot be used:\n%w", err)
		}
		f.Doc, f.Of = l.Document, l.Product
	case d.Has("person"):
		r, err := roster.Read(name, data)
		if err != nil {
			return f, fmt.Errorf("the roster cannot be used:\n%w", err)
		}
		f.Doc = r.Document
	case d.Has("nest"):
		s, err := product.ReadSheet(name, data)
		if err != nil {
			return f, fmt.Errorf("the station sheet cannot be used:\n%w", err)
		}
		f.Doc, f.Of = s.Document, s.Station
	default:
		p, err := product.Read(name, data)
		if err != nil {
			return f, fmt.Errorf("the product file cannot be used:\n%w", err)
		}
		f.Doc, f.Of = p.Document, p.Name
	}
	return f, nil
}

// Accept puts a file that two engineers of this station signed into its place,
// or beside it where it is not yet effective, and says what came of it. write
// takes a file's place in one step. Where the station could not work by all of
// its files then, everything stays as it was, and the error says why.
func (p List) Accept(name string, data []byte, write func(path string, data []byte) error) (Catalogue, string, error) {
	f, err := ReadAny(name, data)
	if err != nil {
		return nil, "", err
	}
	engineers := p.People.Engineers()
	if len(engineers) == 0 {
		return nil, "", fmt.Errorf("%s: %w: no engineer of this station has a key, so nobody can tell who released it", name, ErrRefused)
	}
	if err := f.Doc.Verify(engineers); err != nil {
		return nil, "", fmt.Errorf("%s: %w: %w: let %s sign it as author and approver", name, ErrRefused, err, names(engineers))
	}
	for _, person := range []string{f.Doc.Author, f.Doc.Approver} {
		if engineers[person].Ended {
			return nil, "", fmt.Errorf("%s: %w: the valid_until of %s has passed, and what is new needs people who may release now: let %s sign it as author and approver", name, ErrRefused, person, names(engineers.Current()))
		}
	}
	path, err := p.placeOf(f)
	if err != nil {
		return nil, "", err
	}
	told := fmt.Sprintf("%s %.12s, written by %s, approved by %s", f.Doc.Kind, f.Doc.Revision, f.Doc.Author, f.Doc.Approver)
	switch err := f.Doc.InForce(p.Now); {
	case errors.Is(err, release.ErrEarly):
		path += Waiting
		told += "; it waits until " + f.Doc.Effective.UTC().Format("2006-01-02T15:04:05Z")
	case err != nil:
		return nil, "", fmt.Errorf("%s: %w: %w", name, ErrRefused, err)
	}
	before, had := guard.ReadFile(path)
	if err := write(path, data); err != nil {
		return nil, "", err
	}
	all, err := p.Read()
	if err != nil {
		undo := os.Remove
		if had == nil {
			undo = func(path string) error { return write(path, before) }
		}
		return nil, "", errors.Join(err, undo(path))
	}
	return all, told, nil
}

// placeOf is where a file belongs.
func (p List) placeOf(f Released) (string, error) {
	switch f.Doc.Kind {
	case roster.Kind:
		if p.Roster == "" {
			return "", errors.New("this station has no roster: write roster = \"roster.toml\" into its configuration")
		}
		return p.file(p.Roster), nil
	case product.SheetKind:
		if f.Of != p.Station {
			return "", fmt.Errorf("the sheet is for station %q, this is %q", f.Of, p.Station)
		}
		return p.file(p.Sheet), nil
	}
	for _, name := range p.Products {
		path := p.file(name)
		data, err := guard.Read(path)
		if err != nil {
			return "", fmt.Errorf("reading a product file: %w", err)
		}
		of, err := product.Read(name, data)
		switch {
		case err != nil:
			return "", err
		case of.Name != f.Of:
		case f.Doc.Kind == of.Kind:
			return path, nil
		default:
			return List{Folder: filepath.Dir(path)}.file(of.LimitsFile), nil
		}
	}
	return "", fmt.Errorf("the file is for product %q, which this station does not run: %q", f.Of, p.Products)
}

// Waits tells whether a file waits beside one in force.
func (p List) Waits() bool {
	names := []string{p.file(p.Sheet)}
	if p.Roster != "" {
		names = append(names, p.file(p.Roster))
	}
	for _, name := range p.Products {
		path := p.file(name)
		names = append(names, path)
		if data, err := guard.Read(path); err == nil {
			if of, err := product.Read(name, data); err == nil {
				names = append(names, List{Folder: filepath.Dir(path)}.file(of.LimitsFile))
			}
		}
	}
	for _, name := range names {
		if _, err := os.Stat(name + Waiting); err == nil {
			return true
		}
	}
	return false
}

// Same tells whether two catalogues are of the same revisions.
func (c Catalogue) Same(d Catalogue) bool {
	if len(c) != len(d) {
		return false
	}
	for i := range c {
		if c[i].Product.Revision != d[i].Product.Revision || c[i].Limits.Revision != d[i].Limits.Revision || c[i].Sheet.Revision != d[i].Sheet.Revision {
			return false
		}
	}
	return true
}
