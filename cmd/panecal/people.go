package main

import (
	"errors"
	"fmt"
	"maps"
	"slices"
	"time"

	"example.org/panecal/cmd/panecal/cli"
	"example.org/panecal/cmd/panecal/staff"
	"example.org/panecal/limits/guard"
	"example.org/panecal/limits/release"
	"example.org/panecal/station"
	"example.org/panecal/station/papers"
	"example.org/panecal/station/roster"
)

// people are those whose keys this station knows, by its roster or its file of
// keys; nil where it has neither.
func (c configuration) people() (papers.People, error) {
	switch {
	case c.Roster != "":
		r, err := c.roster()
		if err != nil {
			return nil, err
		}
		return papers.OfRoster(r, time.Now(), c.site), nil
	case c.Keys == "":
		return nil, nil
	}
	path := c.file(c.Keys)
	data, err := guard.Read(path)
	if err != nil {
		return nil, fmt.Errorf("reading the keys of people: %w", err)
	}
	return papers.ReadPeople(path, data)
}

// deciders are who may decide about units now.
func (c configuration) deciders() (release.Keys, error) {
	known, err := c.people()
	if c.Roster != "" { // which says itself who is a lead
		return known.Deciders(nil), err
	}
	return known.Deciders(c.Lead), err
}

// leads are those whose signed statements count.
func (c configuration) leads() ([]string, error) {
	if c.Roster == "" {
		return c.Lead, nil
	}
	r, err := c.roster()
	if err != nil {
		return nil, err
	}
	return slices.Sorted(maps.Keys(r.Keys(time.Now(), c.site, roster.Lead))), nil
}

// roster reads the roster in force.
func (c configuration) roster() (*roster.Roster, error) {
	if _, err := guard.Read(c.file(c.Roster)); err != nil {
		return nil, fmt.Errorf("reading the roster: %w", err)
	}
	r, err := papers.List{Folder: c.folder(), Now: time.Now()}.ReadRoster(c.Roster, c.site)
	if errors.Is(err, papers.ErrRefused) {
		return nil, cli.RefusedError(string(station.RefusedFiles), err)
	}
	return r, err
}

// book is the roster with its badges, nil where the configuration names none.
func (c configuration) book(all papers.Catalogue) (*roster.Book, error) {
	if c.Roster == "" {
		return nil, nil
	}
	r, err := c.roster()
	if err != nil {
		return nil, err
	}
	b, err := staff.ReadBook(r, staff.Place{Roster: c.file(c.Roster), Site: c.site})
	if err != nil {
		return nil, err
	}
	for _, id := range b.IDs() {
		line, _ := b.Of(id)
		if f, _, _ := all.Read(line.Text); f != nil {
			return nil, fmt.Errorf("the badge of %s reads as a label of product %s: give %s another badge", id, f.Product.Name, id)
		}
	}
	return b, nil
}

// staffed is where the roster of a station is, for the sub-command roster.
func (p place) staffed() (staff.Place, error) {
	c, err := p.readConfig()
	if err != nil {
		return staff.Place{}, err
	}
	at := staff.Place{Roster: c.file(c.Roster), Site: c.site, Named: c.Roster != ""}
	if !at.Named {
		at.Roster = c.file("roster.toml")
	}
	return at, nil
}
