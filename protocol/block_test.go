package protocol_test

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"math"
	"reflect"
	"strings"
	"testing"

	"example.org/panecal/protocol"
)

func exampleBlock() *protocol.Block {
	b := &protocol.Block{
		Serial: "HP54000017", Rows: 6, Cols: 9, TempMilliCel: 23_500,
		ProductRev: [16]byte{1, 2, 3}, LimitsRev: [16]byte{4, 5, 6},
		Witness: protocol.Witness{Station: "cell-3", Generation: 1, Sequence: 4711, Intent: [16]byte{9, 8, 7}},
		State:   protocol.Written,
	}
	leakage, bins, offsets := make([]float64, 54), make([][]float64, 54), make([]float64, 54)
	for z := range leakage {
		bins[z] = make([]float64, 17) // odd, with an even number of zones
		for i := range bins[z] {
			bins[z][i] = 1e-4 * float64(z+1) * math.Exp(-0.1*float64((i-8)*(i-8)))
			leakage[z] += bins[z][i]
		}
		bins[z][16] = -3e-6 // a difference of counts may be negative
		offsets[z] = -12.3 + 0.1*float64(z)
	}
	if err := errors.Join(b.SetLeakage(leakage, 4, bins), b.SetOffsets(offsets)); err != nil {
		panic(err)
	}
	return b
}

func TestBlockComesBack(t *testing.T) {
	one := exampleBlock()
	one.Rows, one.Cols = 1, 1
	one.Serial = "åß7" // UTF-8 is text too
	if err := errors.Join(one.SetLeakage([]float64{0.01}, 3, [][]float64{{1e-3, 2e-3, 1e-3}}), one.SetOffsets([]float64{4})); err != nil {
		t.Fatal(err)
	}
	common := exampleBlock()
	common.State = protocol.Released
	if err := errors.Join(common.SetLeakage(make([]float64, 54), 0, nil), common.SetOffsets([]float64{-0.25})); err != nil {
		t.Fatal(err)
	}
	for name, want := range map[string]*protocol.Block{
		"per zone": exampleBlock(), "one zone, odd bins": one, "one offset, no bins": common, "void": {State: protocol.Voided},
		"void with a witness": {State: protocol.Voided, Witness: exampleBlock().Witness},
	} {
		data, err := want.Marshal()
		if err != nil {
			t.Errorf("%s: %v", name, err)
			continue
		}
		got, err := protocol.ParseBlock(data)
		if err != nil || !reflect.DeepEqual(got, want) {
			t.Errorf("%s: got %+v, %v\nwant %+v", name, got, err, want)
		}
		if name == "one zone, odd bins" && !bytes.Equal(data[92+4+6:][:2], []byte{0, 0}) {
			t.Errorf("%s: filled up with % x", name, data[92+4+6:][:2])
		}
		for i := range data {
			for bit := range 8 {
				data[i] ^= 1 << bit
				if b, err := protocol.ParseBlock(data); !errors.Is(err, protocol.ErrBadBlock) {
					t.Errorf("%s: bit %d of byte %d: %+v, %v", name, bit, i, b, err)
				}
				data[i] ^= 1 << bit
			}
		}
		for n := range data {
			if _, err := protocol.ParseBlock(data[:n]); !errors.Is(err, protocol.ErrBadBlock) {
				t.Errorf("%s: cut to %d: %v", name, n, err)
			}
		}
	}
}

func TestBlockBodyKnowsNeitherWitnessNorState(t *testing.T) {
	a, b := exampleBlock(), exampleBlock()
	b.Witness, b.State = protocol.Witness{Station: "other"}, protocol.Released
	ha, erra := a.Hash()
	hb, errb := b.Hash()
	if erra != nil || errb != nil || ha != hb {
		t.Errorf("%x, %v; %x, %v", ha, erra, hb, errb)
	}
	body, _ := a.Body()
	whole, _ := a.Marshal()
	if !bytes.HasPrefix(whole, body) || len(whole) != len(body)+68 {
		t.Errorf("body %d, block %d bytes", len(body), len(whole))
	}
	b.Offsets[0]++
	if hb, _ = b.Hash(); ha == hb {
		t.Error("another offset, the same hash")
	}
}

func TestBlockRefusesNonsense(t *testing.T) {
	for name, spoil := range map[string]func(*protocol.Block){
		"no zones": func(b *protocol.Block) { b.Rows = 0 },
		"too many zones": func(b *protocol.Block) {
			b.Rows, b.Cols, b.Bins, b.FirstBin = 32, 33, 0, 0
			b.Leakage, b.LeakageBins, b.Offsets = make([]int32, 32*33), nil, make([]int32, 1)
		},
		"less than no zones": func(b *protocol.Block) { b.Rows, b.Cols = -b.Rows, -b.Cols },
		"zones":              func(b *protocol.Block) { b.Leakage = b.Leakage[1:] },
		"bins":               func(b *protocol.Block) { b.Bins++ },
		"offsets":            func(b *protocol.Block) { b.Offsets = b.Offsets[:2] },
		"no offset":          func(b *protocol.Block) { b.Offsets = nil },
		"scale":              func(b *protocol.Block) { b.BinScale = 63 },
		"long serial":        func(b *protocol.Block) { b.Serial = fmt.Sprintf("%33d", 1) },
		"NUL in serial":      func(b *protocol.Block) { b.Serial = "a\x00b" },
		"not UTF-8":          func(b *protocol.Block) { b.Witness.Station = "\xff" },
		"bins from 1, none": func(b *protocol.Block) {
			if err := b.SetLeakage(make([]float64, 54), 0, nil); err != nil {
				t.Fatal(err)
			}
			b.FirstBin = 1
		},
		"no state":    func(b *protocol.Block) { b.State = 0 },
		"temperature": func(b *protocol.Block) { b.TempMilliCel = math.MinInt32 },
	} {
		b := exampleBlock()
		spoil(b)
		if _, err := b.Marshal(); err == nil {
			t.Errorf("%s: accepted", name)
		}
	}
	var b protocol.Block
	for _, v := range []float64{math.NaN(), math.Inf(1), 1e12} {
		if b.SetOffsets([]float64{v}) == nil || b.SetLeakage([]float64{v}, 0, nil) == nil {
			t.Errorf("%g was stored", v)
		}
		if b.SetLeakage([]float64{0.1}, 0, [][]float64{{0.1, v}}) == nil {
			t.Errorf("%g was stored of a bin", v)
		}
	}
}

// TestRaggedLeakage: every zone has as many bins.
func TestRaggedLeakage(t *testing.T) {
	var b protocol.Block
	if err := b.SetLeakage([]float64{1, 1}, 0, [][]float64{{1, 2}, {1}}); err == nil || !strings.Contains(err.Error(), "1 bins in zone 1, not 2") {
		t.Error(err)
	}
}

// TestScales: a stored number is within half a step, 2^−scale, of what was
// given, and the step is as fine as the width allows.
func TestScales(t *testing.T) {
	b := exampleBlock()
	for z := range 54 {
		want := -12.3 + 0.1*float64(z)
		if got := b.OffsetMillimetres(z); math.Abs(got-want) > math.Ldexp(0.5, -16) {
			t.Errorf("offset of zone %d: %g, not %g", z, got, want)
		}
		for i := range 16 {
			want := 1e-4 * float64(z+1) * math.Exp(-0.1*float64((i-8)*(i-8)))
			if got := b.LeakageBin(z, 4+i); math.Abs(got-want) > math.Ldexp(0.5, -int(b.BinScale)) {
				t.Errorf("leakage of zone %d, bin %d: %g, not %g", z, i, got, want)
			}
		}
	}
	// However small, the scale is one that a block may have (SPEC.md 6).
	if err := b.SetLeakage(append([]float64{1e-30}, make([]float64, 53)...), 0, nil); err != nil || b.LeakageScale != 62 {
		t.Errorf("scale %d, %v", b.LeakageScale, err)
	}
	if _, err := b.Marshal(); err != nil {
		t.Error(err)
	}
	b = exampleBlock()
	if b.LeakageBin(0, 3) != 0 || b.LeakageBin(0, 21) != 0 {
		t.Error("leakage outside the stored bins")
	}
	if step := math.Ldexp(1, -int(b.BinScale)); step > 54e-4/16384 || step < 54e-4/32768 {
		t.Errorf("step %g for a largest bin of 0.0054", step)
	}
}

// TestLargestBlock: a block may have MaxBlock bytes, and not one zone's bins more.
func TestLargestBlock(t *testing.T) {
	for _, c := range []struct {
		bins int
		ok   bool
	}{{619, true}, {620, false}} {
		const zones = 2 * 211 // 422 zones of 619 bins are MaxBlock bytes
		b := &protocol.Block{Rows: 2, Cols: 211, Bins: c.bins, State: protocol.Written,
			Leakage: make([]int32, zones), LeakageBins: make([]int16, zones*c.bins), Offsets: make([]int32, 1)}
		data, err := b.Marshal()
		if err != nil || c.ok && len(data) != protocol.MaxBlock {
			t.Fatalf("%d bytes, %v", len(data), err)
		}
		if _, err := protocol.ParseBlock(data); c.ok != (err == nil) {
			t.Errorf("%d bytes: %v", len(data), err)
		}
	}
}

// TestBlockSaysWhatIsWrong: of a block with a good CRC.
func TestBlockSaysWhatIsWrong(t *testing.T) {
	for _, c := range []struct {
		at   int
		want string
	}{{0, "does not begin with PNLC"}, {4, "schema 0, not 1"}, {8, "2428 bytes, said to be 2429"}, {12, "do not hold 63 zones with 17 bins"}, {23, "reserved bytes in use"}} {
		data, err := exampleBlock().Marshal()
		if err != nil {
			t.Fatal(err)
		}
		data[c.at] ^= 1
		body := data[:len(data)-4]
		data = binary.LittleEndian.AppendUint32(body, protocol.CRC32C(body))
		if _, err := protocol.ParseBlock(data); !errors.Is(err, protocol.ErrBadBlock) || !strings.Contains(err.Error(), c.want) {
			t.Errorf("byte %d: %v; want %q", c.at, err, c.want)
		}
	}
}
