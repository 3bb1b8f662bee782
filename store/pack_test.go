package store_test

import (
	"bytes"
	"math/rand/v2"
	"testing"

	"example.org/panecal/store"
	"example.org/panecal/store/record"
)

func encoded(t testing.TB, b record.Body) []byte {
	t.Helper()
	data, _, err := record.Encode(record.Entry{Ref: record.Ref{Station: "pane-1", Generation: 1, Sequence: 1}, Body: b})
	if err != nil {
		t.Fatal(err)
	}
	return data
}

// What is packed comes back to the byte, is never longer, and says its own
// length wherever it stands.
func TestPackedRecordsComeBack(t *testing.T) {
	list := append(everyKind(), fullAttempt("A"), note("A", ""))
	for i, b := range list {
		data := encoded(t, b)
		content := store.Pack(data)
		back, err := store.Unpack(content)
		if err != nil || !bytes.Equal(back, data) || len(content) > len(data) {
			t.Errorf("%d, %s: %d bytes, packed %d, %v", i, b.Kind(), len(data), len(content), err)
		}
		if content[0] == 1 {
			if n, ok := store.PackedLength(append(bytes.Clone(content), data...)); !ok || n != len(content) {
				t.Errorf("%s: it says that it has %d bytes of %d, %v", b.Kind(), n, len(content), ok)
			}
		}
	}
	full := encoded(t, fullAttempt("A"))
	if content := store.Pack(full); content[0] != 1 || 2*len(content) > len(full) {
		t.Errorf("a full attempt of %d bytes takes %d", len(full), len(content))
	}
}

// Numbers of which every digit is noise still share signs and exponents.
func TestNoiseIsPacked(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 1))
	a := attempt("A", 1)
	noise := make([]float64, 540)
	for i := range noise {
		noise[i] = 0.01 * (1 + 0.1*rng.NormFloat64())
	}
	a.Zones = record.Zones{Rows: 6, Cols: 9, Leakage: noise}
	data := encoded(t, a)
	if content := store.Pack(data); len(content) > len(data)-1000 {
		t.Errorf("%d bytes take %d", len(data), len(content)) // of nine bytes a number at least two
	}
}

// A record whose packed form was changed is not given out as another.
func TestPackedDamage(t *testing.T) {
	data := encoded(t, fullAttempt("A"))
	content := store.Pack(data)
	for i := 0; i < 8*len(content); i += 7 {
		bad := bytes.Clone(content)
		bad[i/8] ^= 1 << (i % 8)
		back, err := store.Unpack(bad)
		if err == nil && bad[0] == 1 && !bytes.Equal(back, data) {
			t.Fatalf("bit %d gives another record", i)
		}
	}
	for n := range content {
		if back, err := store.Unpack(content[:n]); n > 0 && err == nil {
			t.Fatalf("cut to %d bytes: %d bytes", n, len(back))
		}
	}
}

func FuzzUnpack(f *testing.F) {
	f.Add(store.Pack(encoded(f, fullAttempt("A"))))
	f.Add(store.Pack(encoded(f, note("A", "x"))))
	f.Fuzz(func(t *testing.T, content []byte) {
		store.PackedLength(content)
		data, err := store.Unpack(content)
		if err != nil || len(content) == 0 || content[0] != 1 {
			return
		}
		back, err := store.Unpack(store.Pack(data))
		if err != nil || !bytes.Equal(back, data) {
			t.Errorf("%d bytes come back as %d, %v", len(data), len(back), err)
		}
	})
}
