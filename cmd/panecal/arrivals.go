package main

import (
	"errors"
	"io/fs"
	"time"

	"example.org/panecal/cmd/panecal/files"
	"example.org/panecal/cmd/panecal/staff"
	"example.org/panecal/station/papers"
	"example.org/panecal/station/runner"
	"example.org/panecal/store"
	"example.org/panecal/store/record"
)

// papers are the released files that the configuration names, as of now.
func (c configuration) papers() (papers.List, error) {
	known, err := c.people()
	return papers.List{Folder: c.folder(), Station: c.Station, Sheet: c.Sheet, Products: c.Products, Roster: c.Roster, People: known, Now: time.Now()}, err
}

// arrivals take up released files while a station runs.
type arrivals struct {
	w      *workplace
	config configuration
	here   func(papers.Catalogue) (papers.Catalogue, error)
	told   string // why what waits was refused
}

// take puts one file into its place and works by it from the next unit on.
func (a *arrivals) take(name string, data []byte) (told string, refused, err error) {
	list, err := a.config.papers()
	if err != nil {
		return "", nil, err
	}
	all, told, err := list.Accept(name, data, func(path string, data []byte) error { return files.Replace(path, data, 0o644) })
	if errors.Is(err, fs.ErrPermission) {
		return "", nil, err // the folder's fault, not the file's
	}
	if err != nil {
		return "", err, nil
	}
	return told, nil, a.renew(all)
}

// due takes up what has waited beside the files in force.
func (a *arrivals) due() error {
	list, err := a.config.papers()
	if err != nil || !list.Waits() {
		return err
	}
	all, err := list.Read()
	if err != nil {
		if why := err.Error(); a.told != why {
			a.told = why
			a.w.runner.Refused(why)
		}
		return nil
	}
	return a.renew(all)
}

// staff puts another roster on record and into force, if another one is.
func (a *arrivals) staff(all papers.Catalogue) error {
	book, err := a.config.book(all)
	if err != nil || staff.Revision(book) == staff.Revision(a.w.book.Load()) {
		return err
	}
	of, err := staff.PutOnRecord(book, running{a.w.store, a.w.runner}, nil)
	if err != nil {
		return err
	}
	leads, err := a.config.leads()
	if err != nil {
		return err
	}
	known, err := a.config.people()
	if err != nil {
		return err
	}
	a.w.inbox.Know(known)
	a.w.runner.Staff(of, leads)
	a.w.book.Store(book)
	if people := a.w.people.Load(); people != nil {
		people.Roster(book)
	}
	return nil
}

// running is the log of a station that runs, which its runner writes.
type running struct {
	*store.Store
	runner *runner.Runner
}

func (r running) Append(b record.Body) (record.Ref, error) { return r.runner.Append(b) }

// renew puts new files on record and into force, and another roster.
func (a *arrivals) renew(all papers.Catalogue) error {
	if err := a.staff(all); err != nil {
		return err
	}
	if a.here != nil {
		var err error
		if all, err = a.here(all); err != nil {
			return err
		}
	}
	before := a.w.intake.Files()
	if before.Same(all) {
		return nil
	}
	if err := all.PutOnRecord(a.w.runner, nil, before...); err != nil {
		return err
	}
	if f := a.w.intake.Renew(all); f != nil {
		a.w.runner.TakeUp(f)
	}
	return nil
}
