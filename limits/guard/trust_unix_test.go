//go:build unix

package guard

import (
	"errors"
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

// TestRead: a file that others may write or replace is refused, whoever they
// are and wherever above it they may, and the mend works.
func TestRead(t *testing.T) {
	top := t.TempDir() // stands in /tmp, which is open and sticky
	folder := filepath.Join(top, "a", "b")
	path := filepath.Join(folder, "limits.toml")
	if err := os.MkdirAll(folder, 0o750); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(path, []byte("a = 1\n"), 0o640); err != nil {
		t.Fatal(err)
	}
	link := filepath.Join(top, "link.toml")
	if err := os.Symlink(path, link); err != nil {
		t.Fatal(err)
	}
	good := func(why string) {
		t.Helper()
		for _, p := range []string{path, link} {
			if data, err := Read(p); err != nil || string(data) != "a = 1\n" {
				t.Errorf("%s: %q, %v", why, data, err)
			}
		}
	}
	good("as made")
	for _, c := range []struct {
		at   string
		mode fs.FileMode
		mend string
	}{
		{path, 0o642, "chmod o-w "}, {path, 0o660, "chmod g-w "}, {path, 0o666, "chmod go-w "},
		{folder, 0o770, "chmod g-w "}, {folder, 0o757, "chmod o-w "}, {filepath.Dir(folder), 0o777, "chmod go-w "},
	} {
		before, err := os.Stat(c.at)
		if err != nil {
			t.Fatal(err)
		}
		if err := os.Chmod(c.at, c.mode); err != nil {
			t.Fatal(err)
		}
		for _, p := range []string{path, link} {
			at := c.at
			if at == path {
				at = p
			}
			if _, err := Read(p); !errors.Is(err, ErrOpen) || !strings.HasSuffix(err.Error(), "or the administrator: "+c.mend+at) {
				t.Errorf("%s %v, read as %s: %v", c.at, c.mode, p, err)
			}
		}
		if err := os.Chmod(c.at, before.Mode()); err != nil {
			t.Fatal(err)
		}
		good("mended")
	}
	if err := os.Chmod(folder, 0o777|fs.ModeSticky); err != nil {
		t.Fatal(err)
	}
	good("in a sticky folder")

	i, err := os.Stat(path)
	if err != nil {
		t.Fatal(err)
	}
	me := uint32(os.Geteuid())
	for _, uid := range []uint32{0, me, me + 1} {
		err := own(path, owned{i, uid})
		if wrong := uid == me+1; wrong != errors.Is(err, ErrOpen) || wrong && !strings.Contains(err.Error(), "as the administrator: chown") {
			t.Errorf("owner %d, we are %d: %v", uid, me, err)
		}
	}
}

// TestReadPrivate: what others may read is refused, too.
func TestReadPrivate(t *testing.T) {
	path := filepath.Join(t.TempDir(), "people.toml")
	if err := os.WriteFile(path, nil, 0o640); err != nil {
		t.Fatal(err)
	}
	if _, err := ReadPrivate(path); err == nil || !strings.Contains(err.Error(), "chmod 600 "+path) {
		t.Errorf("read by the group: %v", err)
	}
	if err := os.Chmod(path, 0o600); err != nil {
		t.Fatal(err)
	}
	if _, err := ReadPrivate(path); err != nil {
		t.Error(err)
	}
}

// TestOpen: what is no file is said at once, and never waited for.
func TestOpen(t *testing.T) {
	folder := t.TempDir()
	pipe := filepath.Join(folder, "pipe")
	if err := syscall.Mkfifo(pipe, 0o600); err != nil {
		t.Fatal(err)
	}
	for path, what := range map[string]string{pipe: "named pipe", folder: "folder", "/dev/null": "device"} {
		if _, err := Open(path, os.O_RDONLY, 0); err == nil || !strings.Contains(err.Error(), what) {
			t.Errorf("%s: %v", path, err)
		}
		if _, err := ReadFile(path); err == nil {
			t.Errorf("%s was read", path)
		}
	}
	if _, err := Open(filepath.Join(folder, "none"), os.O_RDONLY, 0); !errors.Is(err, fs.ErrNotExist) {
		t.Error(err)
	}
}
