package main

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"time"

	"github.com/adrg/xdg"

	"example.org/panecal/cmd/panecal/cli"
	"example.org/panecal/cmd/panecal/plantwide"
	"example.org/panecal/cmd/panecal/staff"
	"example.org/panecal/cmd/panecal/upkeep"
	"example.org/panecal/limits/guard"
	"example.org/panecal/limits/strict"
	"example.org/panecal/station"
	"example.org/panecal/station/gate"
	"example.org/panecal/station/papers"
	"example.org/panecal/station/roster"
	"example.org/panecal/store/central"
)

// place says where a station's files are, as far as the flags tell.
//
// Without flags the configuration is in the XDG config folder and the store
// in the XDG data folder. With --data alone, everything of the station is in
// that one folder: its panecal.toml is then read from there.
type place struct{ config, data string }

// configuration is panecal.toml.
type configuration struct {
	Station  string   `toml:"station" need:"add station = \"S1\", the name that records carry"`
	Data     string   `toml:"data"`
	Sheet    string   `toml:"sheet" need:"add sheet = \"station.sheet.toml\", the station sheet with the nests"`
	Bridge   string   `toml:"bridge"` // program between the station and nests at tcp:…, as records name it
	Products []string `toml:"products" need:"add products = [\"hopper-54.product.toml\"], the product files this station may run"`

	Checkpoints []string `toml:"checkpoints"` // folders on other disks or shares that get checkpoints of the log too
	Memory      string   `toml:"memory"`      // folder outside the store that remembers how far its log went
	Keys        string   `toml:"keys"`        // public keys of the people whose notes the station takes up; those of a roster otherwise
	Lead        []string `toml:"lead"`        // people whose signed statements count
	Roster      string   `toml:"roster"`      // who works at the station
	Zone        string   `toml:"zone"`        // of the site, as the IANA database names it

	LongestPause   string `toml:"longest_pause"`    // that a station may rest and its clock be believed
	KeepCaptures   string `toml:"keep_captures"`    // how long raw captures are kept; all where neither is given
	KeepCapturesMB int64  `toml:"keep_captures_mb"` // how much of them is kept

	// The operator's shift; see readRules.
	Language     string   `toml:"language"`       // of the operator's texts
	OrderPattern string   `toml:"order_pattern"`  // what a work order says
	LotPattern   string   `toml:"lot_pattern"`    // what a lot of parts says
	Badge        string   `toml:"badge"`          // what a badge says; operators sign on by scanning it
	Ask          []string `toml:"ask"`            // what is asked after sign-on
	Scanner      string   `toml:"scanner"`        // a scanner with a port of its own
	ScannerBaud  int      `toml:"scanner_baud"`   // its speed, 9600
	Bell         bool     `toml:"bell"`           // rings at each verdict
	TaktS        float64  `toml:"takt_s"`         // seconds a unit may take
	SameFailures int      `toml:"same_failures"`  // units in a row that fail alike and stop a nest
	CheckEvery   string   `toml:"check_every"`    // from one check unit to the next
	CheckUnits   []string `toml:"check_units"`    // labels of check units
	BoxSize      int      `toml:"box_size"`       // good units that a box takes, which has a number then
	BoxPattern   string   `toml:"box_pattern"`    // what the number of a box says
	BoxScan      bool     `toml:"box_scan"`       // a good unit's label is scanned at its box
	Persons      bool     `toml:"person_figures"` // hand-overs name who signs off
	GraceMS      int      `toml:"grace_ms"`       // added to the 100 ms in which a unit answers, for slow adapters and busy computers; 50

	Gate    gate.Keys `toml:"gate"`    // of the line
	Metrics string    `toml:"metrics"` // file of figures for the plant's monitoring

	rules  rules
	upkeep upkeep.Rules
	site   *time.Location // whose days dates end with
	path   string         // the file it was read from
}

// folder is where the configuration's own file names are relative to.
func (c configuration) folder() string { return filepath.Dir(c.path) }

// file resolves a name in the configuration.
func (c configuration) file(name string) string {
	if name == "" || filepath.IsAbs(name) {
		return name
	}
	return filepath.Join(c.folder(), name)
}

// flags are those that lead another command to the same place, as a shell wants
// them.
func (p place) flags() (text string) {
	for _, f := range [][2]string{{" --config ", p.config}, {" --data ", p.data}} {
		if f[1] != "" {
			text += f[0] + cli.Quoted(f[1])
		}
	}
	return text
}

func (p place) configPath() string {
	switch {
	case p.config != "":
		return p.config
	case p.data != "" && !central.IsURL(p.data):
		return filepath.Join(p.data, "panecal.toml")
	}
	return filepath.Join(xdg.ConfigHome, "panecal", "panecal.toml")
}

// readConfig reads the configuration; it has to be there.
func (p place) readConfig() (configuration, error) {
	path := p.configPath()
	data, err := guard.Read(path)
	if errors.Is(err, fs.ErrNotExist) {
		return configuration{}, cli.RefusedError("no_configuration", fmt.Errorf("no configuration at %s: run `panecal init` first, or name the file with --config", path))
	}
	if err != nil {
		return configuration{}, fmt.Errorf("reading the configuration: %w", err)
	}
	c := configuration{path: path}
	d, err := strict.Decode(path, data, &c)
	if err == nil {
		c.readRules(d)
		c.upkeep = upkeep.Keys{LongestPause: c.LongestPause, KeepCaptures: c.KeepCaptures, KeepCapturesMB: c.KeepCapturesMB}.Read(d)
		c.Gate.Check(d)
		err = d.Err()
	}
	if err != nil {
		return configuration{}, fmt.Errorf("reading the configuration: %w", err)
	}
	return c, nil
}

// catalogue reads all released files that the configuration names.
func (c configuration) catalogue() (papers.Catalogue, error) {
	if len(c.Products) == 0 {
		return nil, fmt.Errorf("%s: products is empty: name at least one product file", c.path)
	}
	list, err := c.papers()
	if err != nil {
		return nil, err
	}
	all, err := list.Read()
	if errors.Is(err, station.ErrMismatch) || errors.Is(err, papers.ErrRefused) {
		return nil, cli.RefusedError(string(station.RefusedFiles), err)
	}
	return all, err
}

// checkedUnits are the serials of the check units, which the configuration
// names by their labels.
func (c configuration) checkedUnits(all papers.Catalogue) ([]string, error) {
	var serials []string
	for _, text := range c.CheckUnits {
		f, l, err := all.Read(text)
		if f == nil {
			return nil, fmt.Errorf("check_units: %q is the label of none of this station's products: write the label as it is printed: %w", text, err)
		}
		serials = append(serials, l.Serial)
	}
	return serials, nil
}

// storeFolder is where the store is: the flag, else the configuration, else
// the XDG data folder. A reading command needs no configuration.
func (p place) storeFolder() (string, error) {
	if central.IsURL(p.data) {
		return "", cli.RefusedError("not_from_history", errors.New("this command reads a station's own folder; "+plantwide.Served))
	}
	if p.data != "" {
		// A copy of a store alone may be named too.
		inner := filepath.Join(p.data, "store")
		if _, err := os.Stat(inner); errors.Is(err, fs.ErrNotExist) {
			if _, err := os.Stat(filepath.Join(p.data, "head")); err == nil {
				return p.data, nil
			}
		}
		return inner, nil
	}
	c, err := p.readConfig()
	var coded *cli.CodedError
	switch {
	case err == nil && c.Data != "":
		return c.file(c.Data), nil
	case err == nil, errors.As(err, &coded):
		return filepath.Join(xdg.DataHome, "panecal", "store"), nil
	}
	return "", err
}

// premises is what a station works with: its configuration, the folder of its
// store, the files in force and the people.
type premises struct {
	config configuration
	folder string
	files  papers.Catalogue
	book   *roster.Book
}

// premises reads them. Each of the persons has to be an operator who may work
// here now; "" is nobody in particular.
func (p place) premises(persons ...string) (at premises, err error) {
	if at.config, err = p.readConfig(); err != nil {
		return at, err
	}
	if at.folder, err = p.storeFolder(); err != nil {
		return at, err
	}
	if at.files, err = at.config.catalogue(); err != nil {
		return at, err
	}
	if at.book, err = at.config.book(at.files); err != nil {
		return at, err
	}
	for _, person := range persons {
		err = errors.Join(err, staff.KnownOperator(at.book, person, time.Now()))
	}
	return at, err
}
