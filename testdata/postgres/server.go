// Package postgres starts a PostgreSQL server for tests: with initdb and pg_ctl from
// PATH or where the distribution's package puts them, in a temporary folder, on a
// socket, as another account where the test is root. It needs no network.
package postgres

import (
	"bytes"
	"cmp"
	"context"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"

	"github.com/jackc/pgx/v5/pgconn"
)

// Server is a running server. It is stopped by Stop, and its folder removed by Remove.
type Server struct {
	bin, folder string
	databases   int
	open        map[string]*pgconn.PgConn // of SQL and As
}

// ErrMissing: this computer has no PostgreSQL.
var ErrMissing = errors.New("skipped: no initdb and pg_ctl in PATH or /usr/lib/postgresql (the distribution's package postgresql has them)")

// binaries returns the folder of initdb, pg_ctl and postgres.
func binaries() (string, error) {
	if p, err := exec.LookPath("initdb"); err == nil {
		if p, err = filepath.EvalSymlinks(p); err == nil {
			return filepath.Dir(p), nil
		}
	}
	found, _ := filepath.Glob("/usr/lib/postgresql/*/bin/initdb")
	if len(found) == 0 {
		return "", ErrMissing
	}
	version := func(p string) int { n, _ := strconv.Atoi(strings.Split(p, "/")[4]); return n }
	newest := slices.MaxFunc(found, func(a, b string) int { return cmp.Compare(version(a), version(b)) })
	return filepath.Dir(newest), nil
}

// Start makes a server of its own and starts it. ErrMissing where there is none.
func Start() (*Server, error) {
	bin, err := binaries()
	if err != nil {
		return nil, err
	}
	folder, err := os.MkdirTemp("", "pg") // short: a socket's path has 107 bytes
	if err != nil {
		return nil, err
	}
	s := &Server{bin: bin, folder: folder}
	err = s.own(folder)
	if err == nil {
		err = s.run("initdb", "--no-sync", "--no-instructions", "-A", "trust", "-U", "owner", "-E", "UTF8", "--locale=C", "-D", s.data())
	}
	if err == nil {
		err = s.StartAgain()
	}
	if err != nil {
		return nil, errors.Join(err, s.Remove())
	}
	return s, nil
}

func (s *Server) data() string { return filepath.Join(s.folder, "data") }

// Folder is where the server's files are.
func (s *Server) Folder() string { return s.folder }

// run runs one of the server's programs as the server's account.
func (s *Server) run(program string, args ...string) error {
	c := exec.Command(filepath.Join(s.bin, program), args...)
	c.Dir = s.folder
	s.as(c)
	out, err := os.CreateTemp("", "pg-said-*") // a pipe would be held open by the server
	if err != nil {
		return err
	}
	defer os.Remove(out.Name())
	defer out.Close()
	c.Stdout, c.Stderr = out, out
	if err := c.Run(); err != nil {
		said, _ := os.ReadFile(out.Name())
		return fmt.Errorf("%s: %w: %s", program, err, said)
	}
	return nil
}

// StartAgain starts a server that was stopped or killed. What it lost with its process
// it has from its log; syncing is left out, since no test cuts the power.
func (s *Server) StartAgain() error {
	s.open = nil // what SQL and As had open ended with the server
	return s.run("pg_ctl", "-D", s.data(), "-w", "-t", "60", "-l", filepath.Join(s.folder, "said"), "-o",
		"-c listen_addresses='' -c unix_socket_directories="+s.folder+" -c fsync=off -c full_page_writes=off -c max_connections=60 -c shared_buffers=64MB -c max_wal_size=2GB", "start")
}

// Stop stops it in one of pg_ctl's ways: fast or immediate.
func (s *Server) Stop(mode string) error {
	return s.run("pg_ctl", "-D", s.data(), "-w", "-m", mode, "stop")
}

// Pid is the server's first process.
func (s *Server) Pid() (int, error) {
	text, err := os.ReadFile(filepath.Join(s.data(), "postmaster.pid"))
	if err != nil {
		return 0, err
	}
	first, _, _ := strings.Cut(string(text), "\n")
	return strconv.Atoi(first)
}

// Remove stops the server and removes its folder.
func (s *Server) Remove() error {
	_ = s.Stop("immediate") // it may be down
	return os.RemoveAll(s.folder)
}

// URL returns that of a database for a login, "owner" for the one that owns all.
func (s *Server) URL(database, login string) string {
	return "postgres://" + login + "@/" + database + "?host=" + s.folder
}

// Database makes an empty database and returns its name.
func (s *Server) Database(t testing.TB) string {
	t.Helper()
	s.databases++
	name := fmt.Sprintf("t%d", s.databases)
	s.SQL(t, "postgres", "create database "+name)
	return name
}

// SQL carries out statements as the owner, and returns what they gave: columns with |
// between them, a line a row.
func (s *Server) SQL(t testing.TB, database, sql string) string {
	t.Helper()
	out, err := s.As(database, "owner", sql)
	if err != nil {
		t.Fatalf("%s: %v", sql, err)
	}
	return out
}

// As carries out statements as a login.
func (s *Server) As(database, login, sql string) (string, error) {
	key := login + "@" + database
	c := s.open[key]
	if c == nil || c.IsClosed() {
		var err error
		if c, err = pgconn.Connect(context.Background(), s.URL(database, login)+"&sslmode=disable"); err != nil {
			return "", err
		}
		if s.open == nil {
			s.open = map[string]*pgconn.PgConn{}
		}
		s.open[key] = c
	}
	results, err := c.Exec(context.Background(), sql).ReadAll()
	var lines []string
	for _, r := range results {
		for _, row := range r.Rows {
			lines = append(lines, string(bytes.Join(row, []byte("|"))))
		}
	}
	return strings.Join(lines, "\n"), err
}

// Program returns the path of one of the server's own programs, such as pg_dump.
func (s *Server) Program(name string) string { return filepath.Join(s.bin, name) }
