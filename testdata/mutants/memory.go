package main

import (
	"encoding/json"
	"os"
	"path/filepath"
	"strings"
)

// memories keeps the test that noticed a fault, so that the next run asks that
// one first. Nothing is believed from it: each fault is tried each time.
type memories struct {
	file string
	by   map[string]string // test, by the name of the fault
}

// They stand in a folder; without one nothing is kept.
func readMemories(dir, name string) *memories {
	m := &memories{by: map[string]string{}}
	if dir == "" {
		return m
	}
	m.file = filepath.Join(dir, strings.ReplaceAll(name, "/", ".")+".json")
	if text, err := os.ReadFile(m.file); err == nil {
		if json.Unmarshal(text, &m.by) != nil || m.by == nil {
			m.by = map[string]string{} // only time is lost
		}
	}
	return m
}

func (m *memories) keep() error {
	if m.file == "" {
		return nil
	}
	text, err := json.MarshalIndent(m.by, "", "\t")
	if err != nil {
		return err
	}
	if err := os.MkdirAll(filepath.Dir(m.file), 0o700); err != nil {
		return err
	}
	return os.WriteFile(m.file, text, 0o600)
}
