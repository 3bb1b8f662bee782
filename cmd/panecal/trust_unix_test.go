//go:build unix

package main

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"example.org/panecal/cmd/panecal/cli"
)

// TestTrusted: a configuration that others may write is refused.
func TestTrusted(t *testing.T) {
	folder := t.TempDir()
	path := filepath.Join(folder, "panecal.toml")
	text := "station = \"S1\"\nsheet = \"s.toml\"\nproducts = [\"p.toml\"]\n"
	if err := os.WriteFile(path, []byte(text), 0o640); err != nil {
		t.Fatal(err)
	}
	if _, err := (place{data: folder}).readConfig(); err != nil {
		t.Fatal(err)
	}
	if err := os.Chmod(path, 0o642); err != nil {
		t.Fatal(err)
	}
	_, err := (place{data: folder}).readConfig()
	if err == nil || !strings.Contains(err.Error(), "chmod o-w "+path) || exitCode(err) != cli.ExitRunTime {
		t.Errorf("written by everybody: %v", err)
	}
}
