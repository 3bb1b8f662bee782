package main

import (
	"fmt"
	"io"
	"path/filepath"

	"github.com/adrg/xdg"

	"example.org/panecal/cmd/panecal/cli"
	"example.org/panecal/store"
)

// memoryFolder is where a computer remembers how far each log was written,
// unless the configuration names another place: apart from any store, whose
// folder may be put back as it was a week ago.
func memoryFolder() string { return filepath.Join(xdg.StateHome, "panecal", "witness") }

// memory is the folder that the configuration names.
func (c configuration) memory() string {
	if c.Memory == "" {
		return memoryFolder()
	}
	return c.file(c.Memory)
}

// beside is what is known to stand beside the log; a reader needs no
// configuration.
func (p place) beside() store.Beside {
	c, err := p.readConfig()
	if err != nil {
		return store.Beside{Memory: []string{memoryFolder()}}
	}
	return store.Beside{Memory: []string{c.memory(), memoryFolder()}}
}

// remembered holds a log against what is remembered of it outside. What is
// worth knowing goes to talk; a log that is not the one remembered is an error
// with the code of a check that failed.
func (p place) remembered(folder string, talk io.Writer) error {
	problem, note, err := store.Ask(folder, p.beside())
	if note != "" {
		fmt.Fprintln(talk, "panecal: the log:", note)
	}
	if problem != nil {
		return &cli.CodedError{Code: cli.ExitFailed, Err: fmt.Errorf("%s: %w: keep the folder as it is; `panecal log check` shows all of it", problem.Fault, problem)}
	}
	return err
}
