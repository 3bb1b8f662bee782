package query_test

import (
	"bufio"
	"bytes"
	"compress/gzip"
	"encoding/json"
	"os"
	"path/filepath"
	"reflect"
	"testing"

	"example.org/panecal/store"
	"example.org/panecal/store/query"
)

// answers returns what the program of the first store answered for each unit.
func answers(t testing.TB) []json.RawMessage {
	t.Helper()
	b, err := os.ReadFile("../../testdata/first-store/units.jsonl.gz")
	if err != nil {
		t.Fatal(err)
	}
	z, err := gzip.NewReader(bytes.NewReader(b))
	if err != nil {
		t.Fatal(err)
	}
	var list []json.RawMessage
	in := bufio.NewScanner(z)
	in.Buffer(nil, 1<<20)
	for in.Scan() {
		list = append(list, bytes.Clone(in.Bytes()))
	}
	if err := in.Err(); err != nil || len(list) == 0 {
		t.Fatal(len(list), err)
	}
	return list
}

// What the program of the first store answered for each unit is what is
// answered now.
func TestFirstStoreAnswers(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "first")
	if err := os.CopyFS(dir, os.DirFS("../../testdata/first-store/store")); err != nil {
		t.Fatal(err)
	}
	f, err := store.Follow(dir, t.TempDir())
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	for _, line := range answers(t) {
		var want any
		if err := json.Unmarshal(line, &want); err != nil {
			t.Fatal(err)
		}
		serial := want.(map[string]any)["serial"].(string)
		u, err := query.History(f, serial)
		if err != nil {
			t.Fatal(err)
		}
		text, err := json.Marshal(u)
		if err != nil {
			t.Fatal(err)
		}
		var got any
		if err := json.Unmarshal(text, &got); err != nil {
			t.Fatal(err)
		}
		if !reflect.DeepEqual(got, want) {
			t.Errorf("%s: another answer than the program of then gave", serial)
		}
	}
}
