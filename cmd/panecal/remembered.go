package main

import (
	"io"
	"path/filepath"
	"strings"

	"github.com/adrg/xdg"

	"example.org/panecal/cmd/panecal/logs"
	"example.org/panecal/limits/guard"
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

// beside is what is known to stand beside the log in folder; a reader needs no
// configuration.
func (p place) beside(folder string) store.Beside {
	near := filepath.Dir(filepath.Clean(folder))
	b := store.Beside{Memory: []string{memoryFolder()}, Known: filepath.Join(followerCache(), "known"),
		Checkpoints: []string{filepath.Join(near, store.CheckpointFolder)}}
	if text, err := guard.ReadFile(filepath.Join(near, store.PublicName)); err == nil {
		b.Public = strings.TrimSpace(string(text))
	}
	if c, err := p.readConfig(); err == nil {
		b.Memory = append([]string{c.memory()}, b.Memory...)
		for _, folder := range c.Checkpoints {
			b.Checkpoints = append(b.Checkpoints, c.file(folder))
		}
		b.Leads, _ = c.leads() // a roster that cannot be read names nobody
	}
	return b
}

// wholeLog is the log that a command is about.
func (p place) wholeLog() (logs.Log, error) {
	folder, err := p.storeFolder()
	return logs.Log{Folder: folder, Beside: p.beside(folder)}, err
}

// remembered holds a log against what is remembered of it.
func (p place) remembered(folder string, talk io.Writer) error {
	return logs.Log{Folder: folder, Beside: p.beside(folder)}.Remembered(talk)
}
