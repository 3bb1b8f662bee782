package query_test

import (
	"bufio"
	"bytes"
	"compress/gzip"
	"encoding/json"
	"fmt"
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

// What the program of the first store answered for each unit is answered now, with
// nothing missing and nothing changed; keys were added since.
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
		if where := lacks(got, want, "$"); where != "" {
			t.Errorf("%s: another answer than the program of then gave at %s", serial, where)
		}
	}
}

// lacks returns the place where got does not hold all that want does, "" for none.
// Only objects may have grown.
func lacks(got, want any, path string) string {
	switch w := want.(type) {
	case map[string]any:
		g, ok := got.(map[string]any)
		if !ok {
			return path
		}
		for k, v := range w {
			if _, ok := g[k]; !ok {
				return path + "." + k
			}
			if where := lacks(g[k], v, path+"."+k); where != "" {
				return where
			}
		}
		return ""
	case []any:
		g, ok := got.([]any)
		if !ok || len(g) != len(w) {
			return path
		}
		for i := range w {
			if where := lacks(g[i], w[i], fmt.Sprintf("%s[%d]", path, i)); where != "" {
				return where
			}
		}
		return ""
	}
	if !reflect.DeepEqual(got, want) {
		return path
	}
	return ""
}
