//go:build unix

package files

import (
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
)

// owned is a file of another user.
type owned struct {
	fs.FileInfo
	uid uint32
}

func (o owned) Sys() any { return &syscall.Stat_t{Uid: o.uid} }

// TestTrusted: a file that others may write, or that is of another user, is
// refused, and the mend works.
func TestTrusted(t *testing.T) {
	path := filepath.Join(t.TempDir(), "keys.toml")
	if err := os.WriteFile(path, []byte("a = 1\n"), 0o640); err != nil {
		t.Fatal(err)
	}
	if err := os.Chmod(path, 0o642); err != nil {
		t.Fatal(err)
	}
	if _, err := ReadTrusted(path); err == nil || !strings.Contains(err.Error(), "mend: chmod o-w "+path) {
		t.Errorf("written by everybody: %v", err)
	}
	if err := os.Chmod(path, 0o640); err != nil {
		t.Fatal(err)
	}
	if data, err := ReadTrusted(path); err != nil || string(data) != "a = 1\n" {
		t.Errorf("mended: %q, %v", data, err)
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
