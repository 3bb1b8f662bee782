//go:build unix

package main

import (
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"

	"example.org/panecal/cmd/panecal/cli"
)

// owned is a file of another user.
type owned struct {
	fs.FileInfo
	uid uint32
}

func (o owned) Sys() any { return &syscall.Stat_t{Uid: o.uid} }

// TestTrusted: a configuration that others may write, or that is of another
// user, is refused, and the mend works.
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
	if err == nil || !strings.Contains(err.Error(), "mend: chmod o-w "+path) || exitCode(err) != cli.ExitRunTime {
		t.Errorf("written by everybody: %v", err)
	}
	if err := os.Chmod(path, 0o640); err != nil {
		t.Fatal(err)
	}
	i, err := os.Stat(path)
	if err != nil {
		t.Fatal(err)
	}
	me := uint32(os.Geteuid())
	for _, uid := range []uint32{0, me, me + 1} {
		err := trusted(path, owned{i, uid})
		if wrong := uid == me+1; wrong != (err != nil) || wrong && !strings.Contains(err.Error(), "mend: chown") {
			t.Errorf("owner %d, we are %d: %v", uid, me, err)
		}
	}
}
