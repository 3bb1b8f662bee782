package export_test

import (
	"bytes"
	"encoding/json"
	"errors"
	"io"
	"strconv"
	"testing"
	"time"

	"github.com/parquet-go/parquet-go"

	"example.org/panecal/store/export"
)

// The Parquet table says what the CSV says, column for column and in its order.
func TestParquet(t *testing.T) {
	f := first(t)
	want := rowsOf(t, table(t, f, export.CSV))
	data := table(t, f, export.Parquet)
	p, err := parquet.OpenFile(bytes.NewReader(data), int64(len(data)))
	if err != nil {
		t.Fatal(err)
	}
	head := bytes.Split(bytes.SplitN(table(t, f, export.CSV), []byte("\n"), 2)[0], []byte(","))
	var names []string
	for _, c := range p.Schema().Fields() {
		names = append(names, c.Name())
	}
	if len(names) != len(head) {
		t.Fatalf("%d columns, want %d", len(names), len(head))
	}
	for i, n := range names {
		if n != string(head[i]) {
			t.Fatalf("column %d is %s, want %s", i, n, head[i])
		}
	}
	var units map[string]string
	text, _ := p.Lookup("panecal.units")
	if err := json.Unmarshal([]byte(text), &units); err != nil || units["offset.mean_u"] != "mm" {
		t.Errorf("units %q: %v", text, err)
	}
	n := 0
	for _, g := range p.RowGroups() {
		rows := g.Rows()
		buffer := make([]parquet.Row, 16)
		for {
			k, err := rows.ReadRows(buffer)
			for _, row := range buffer[:k] {
				compareRow(t, names, row, want[n])
				n++
			}
			if errors.Is(err, io.EOF) {
				break
			}
			if err != nil {
				t.Fatal(err)
			}
		}
		if err := rows.Close(); err != nil {
			t.Fatal(err)
		}
	}
	if n != len(want) {
		t.Errorf("%d rows, want %d", n, len(want))
	}
}

func compareRow(t *testing.T, names []string, row parquet.Row, want map[string]string) {
	t.Helper()
	for i, v := range row {
		got := ""
		switch {
		case v.IsNull():
		case names[i] == "time":
			got = time.Unix(0, v.Int64()).UTC().Format(time.RFC3339Nano)
		case v.Kind() == parquet.Double:
			got = strconv.FormatFloat(v.Double(), 'g', -1, 64)
		default:
			got = v.String()
		}
		if got != want[names[i]] {
			t.Errorf("%s: %q, want %q", names[i], got, want[names[i]])
		}
	}
}

// A group of rows bounds what is held back.
func TestParquetGroups(t *testing.T) {
	var b bytes.Buffer
	w, err := export.NewWriter(&b, export.Parquet)
	if err != nil {
		t.Fatal(err)
	}
	r := row()
	const rows, most = 21_000, 10_100
	for n := range rows {
		r.Sequence = uint64(n)
		if err := w.Write(r); err != nil {
			t.Fatal(err)
		}
	}
	if err := w.Flush(); err != nil {
		t.Fatal(err)
	}
	p, err := parquet.OpenFile(bytes.NewReader(b.Bytes()), int64(b.Len()))
	if err != nil {
		t.Fatal(err)
	}
	for _, g := range p.RowGroups() {
		if g.NumRows() > most {
			t.Errorf("a group of %d rows", g.NumRows())
		}
	}
	if p.NumRows() != rows || len(p.RowGroups()) != 3 {
		t.Errorf("%d rows in %d groups", p.NumRows(), len(p.RowGroups()))
	}
}
