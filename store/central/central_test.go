package central_test

import (
	"errors"
	"fmt"
	"os"
	"testing"

	"example.org/panecal/store/central"
	"example.org/panecal/testdata/postgres"
)

// server is the one server of this package's tests, nil where there is none.
var server *postgres.Server

func TestMain(m *testing.M) {
	s, err := postgres.Start()
	switch {
	case errors.Is(err, postgres.ErrMissing):
		fmt.Println("store/central:", err)
	case err != nil:
		fmt.Fprintln(os.Stderr, err)
		os.Exit(1)
	}
	server = s
	code := m.Run()
	if s != nil {
		if err := s.Remove(); err != nil {
			fmt.Fprintln(os.Stderr, err)
			code = 1
		}
	}
	os.Exit(code)
}

// need skips a test that wants a server where there is none.
func need(t *testing.T) {
	t.Helper()
	if server == nil {
		t.Skip(postgres.ErrMissing)
	}
}

func target(t *testing.T, url string) *central.Target {
	t.Helper()
	at, err := central.Parse(url)
	if err != nil {
		t.Fatal(err)
	}
	return at
}

// history makes an empty history and returns its database and its owner's target.
func history(t *testing.T) (string, *central.Target) {
	t.Helper()
	need(t)
	db := server.Database(t)
	at := target(t, server.URL(db, "owner"))
	if err := central.Init(t.Context(), at, func(string) {}); err != nil {
		t.Fatal(err)
	}
	return db, at
}

// admit lets a login of a station in and returns its target.
func admit(t *testing.T, db, role string, g central.Group, station string) *central.Target {
	t.Helper()
	if err := central.Admit(t.Context(), target(t, server.URL(db, "owner")), role, g, station); err != nil {
		t.Fatal(err)
	}
	return target(t, server.URL(db, role))
}
