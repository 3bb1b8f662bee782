package protocol_test

import (
	"bytes"
	"encoding/csv"
	"encoding/hex"
	"os"
	"strconv"
	"strings"
	"testing"

	"example.org/panecal/protocol"
)

// rows reads a file of published vectors (sources: testdata/wire/README.md).
func rows(t *testing.T, name string) [][]string {
	t.Helper()
	f, err := os.Open("../testdata/wire/" + name)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	all, err := csv.NewReader(f).ReadAll()
	if err != nil || len(all) < 2 {
		t.Fatalf("%s: %d rows, %v", name, len(all), err)
	}
	return all[1:]
}

func unhex(t *testing.T, s string) []byte {
	t.Helper()
	b, err := hex.DecodeString(s)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

func TestCOBSVectors(t *testing.T) {
	for _, row := range rows(t, "cobs.csv") {
		raw, stuffed := unhex(t, row[1]), unhex(t, row[2])
		if got := protocol.AppendCOBS(nil, raw); !bytes.Equal(got, stuffed) {
			t.Errorf("%s: stuffed to %x, not %x", row[0], got, stuffed)
		}
		if got, ok := protocol.AppendUnCOBS(nil, stuffed); !ok || !bytes.Equal(got, raw) {
			t.Errorf("%s: decoded to %x, %t, not %x", row[0], got, ok, raw)
		}
	}
	for _, row := range rows(t, "cobs_bad.csv") {
		if got, ok := protocol.AppendUnCOBS(nil, unhex(t, row[1])); ok {
			t.Errorf("%s: decoded to %x", row[0], got)
		}
	}
}

// TestCOBSBlockBoundaries: sizes around the block of 254, where encoders
// differ; the paper's closing 0x01 after a full last block is accepted.
func TestCOBSBlockBoundaries(t *testing.T) {
	for _, n := range []int{1, 253, 254, 255, 256, 507, 508, 509, 762} {
		for _, zeroAt := range []int{-1, 0, n / 2, n - 1} {
			raw := bytes.Repeat([]byte{0xa5}, n)
			if zeroAt >= 0 {
				raw[zeroAt] = 0
			}
			stuffed := protocol.AppendCOBS(nil, raw)
			if bytes.IndexByte(stuffed, 0) >= 0 || len(stuffed) > n+n/254+1 {
				t.Errorf("%d bytes, zero at %d: %d stuffed bytes", n, zeroAt, len(stuffed))
			}
			if got, ok := protocol.AppendUnCOBS(nil, stuffed); !ok || !bytes.Equal(got, raw) {
				t.Errorf("%d bytes, zero at %d: came back as %d bytes, %t", n, zeroAt, len(got), ok)
			}
		}
	}
	full := append([]byte{0xff}, bytes.Repeat([]byte{7}, 254)...)
	if got, ok := protocol.AppendUnCOBS(nil, append(full, 1)); !ok || len(got) != 254 {
		t.Errorf("the paper's form: %d bytes, %t", len(got), ok)
	}
}

func TestCRCVectors(t *testing.T) {
	for _, row := range rows(t, "crc32c.csv") {
		want, err := strconv.ParseUint(row[2], 0, 32)
		if err != nil {
			t.Fatal(err)
		}
		if got := protocol.CRC32C(unhex(t, row[1])); got != uint32(want) {
			t.Errorf("%s: %#x, not %s", row[0], got, row[2])
		}
	}
}

// TestCBORVectors: what the subset has is accepted and written with the same
// bytes; floats, simple values and other tags are refused.
func TestCBORVectors(t *testing.T) {
	accepted := 0
	for _, row := range rows(t, "cbor.csv") {
		data, text := unhex(t, row[0]), row[1]
		rest, err := protocol.SkipItem(data, 1)
		if data[0] >= 0xc0 {
			if err == nil {
				t.Errorf("%s (%s) is outside the subset and accepted", row[0], text)
			}
			continue
		}
		accepted++
		if err != nil || len(rest) > 0 {
			t.Errorf("%s (%s): %v, %d bytes left", row[0], text, err, len(rest))
		}
		if n, err := strconv.ParseInt(text, 10, 64); err == nil {
			if got := protocol.AppendInt(nil, n); !bytes.Equal(got, data) {
				t.Errorf("%s: written as %x, not %s", text, got, row[0])
			}
		} else if n, err := strconv.ParseUint(text, 10, 64); err == nil {
			if got := protocol.AppendHead(nil, 0, n); !bytes.Equal(got, data) {
				t.Errorf("%s: written as %x, not %s", text, got, row[0])
			}
		}
	}
	if accepted < 10 {
		t.Errorf("only %d rows were in the subset", accepted)
	}
}

func TestTypedArrayVectors(t *testing.T) {
	for _, row := range rows(t, "rfc8746.csv") {
		var want []uint32
		for _, f := range strings.Fields(row[2]) {
			n, err := strconv.ParseUint(f, 10, 32)
			if err != nil {
				t.Fatal(err)
			}
			want = append(want, uint32(n))
		}
		data := unhex(t, row[1])
		if got := protocol.AppendTyped(nil, want); !bytes.Equal(got, data) {
			t.Errorf("%s: written as %x, not %x", row[0], got, data)
		}
		got, rest, err := protocol.ReadTyped(data)
		if err != nil || len(rest) > 0 || len(got) != len(want) {
			t.Fatalf("%s: %v, %v", row[0], got, err)
		}
		for i := range want {
			if got[i] != want[i] {
				t.Errorf("%s: value %d is %d, not %d", row[0], i, got[i], want[i])
			}
		}
	}
}

func TestRefusedCBOR(t *testing.T) {
	for name, s := range map[string]string{
		"nothing":                      "",
		"integer in two bytes":         "1817",
		"integer in three bytes":       "1900ff",
		"integer in five bytes":        "1a0000ffff",
		"integer in nine bytes":        "1b00000000ffffffff",
		"length in two bytes":          "5801aa",
		"indefinite array":             "9f01ff",
		"indefinite map":               "bf0101ff",
		"indefinite string":            "5f4101ff",
		"break":                        "ff",
		"cut integer":                  "19ff",
		"cut string":                   "43aabb",
		"cut array":                    "8301",
		"huge array":                   "9affffffff",
		"huge string":                  "5bffffffffffffffff",
		"keys out of order":            "a202010101",
		"key twice":                    "a201010101",
		"text key":                     "a1616101",
		"negative key":                 "a12001",
		"text that is not UTF-8":       "61ff",
		"depth 5":                      "8181818180",
		"true":                         "f5",
		"float":                        "f93e00",
		"tag 65":                       "d8414400010002",
		"tag on an integer":            "d84001",
		"odd uint16 array":             "d84543010203",
		"uint16 array of small ones":   "d8454401000200",
		"uint32 array of small ones":   "d84644ffff0000",
		"tag in three bytes":           "d9004041ff",
		"reserved additional value 28": "1c",
	} {
		if _, err := protocol.SkipItem(unhex(t, s), 1); err == nil {
			t.Errorf("%s (%s) was accepted", name, s)
		}
	}
}
