package protocol

import (
	"bytes"
	"crypto/sha256"
	"encoding/binary"
	"errors"
	"fmt"
	"unicode/utf8"
)

// State of the constants in a unit.
type State uint8

// States of a block.
const (
	Written  State = 1 // adjusted, not yet found good
	Released State = 2 // verified, judged and on record
	Voided   State = 3 // not to be used; only the void form has it
)

func (s State) String() string {
	names := [...]string{Written: "written", Released: "released", Voided: "void"}
	if s > 0 && int(s) < len(names) {
		return names[s]
	}
	return fmt.Sprintf("state %d", uint8(s))
}

// Block is the constants block of a unit (SPEC.md 6), which the unit keeps
// byte for byte: what it compensates with, and the witness of the log entry
// that ordered it. A stored number n with scale k stands for n·2^−k.
//
// The block in state Voided is a void form: it has no other field than the
// witness, and the bare one not even that.
type Block struct {
	Serial     string // on the unit's label
	Rows, Cols int

	FirstBin, Bins int     // range of bins that LeakageBins covers; Bins 0 for none
	LeakageScale   uint8   // of Leakage, {count}/{shot}
	BinScale       uint8   // of LeakageBins, {count}/{shot}
	OffsetScale    uint8   // of Offsets, mm
	Leakage        []int32 // per zone, over all bins
	LeakageBins    []int16 // zone z, bin FirstBin+b at z*Bins+b
	Offsets        []int32 // one for all zones, or one per zone; subtracted from a range

	TempMilliCel int32 // temperature the offsets are referred to

	ProductRev, LimitsRev [16]byte // first bytes of the SHA-256 that names the revision

	Witness Witness
	State   State
}

// Witness names the log record that ordered the block; the unit carries it
// away and can testify.
type Witness struct {
	Station    string
	Generation uint32
	Sequence   uint64
	Intent     [16]byte // first bytes of the SHA-256 of that record
}

// Bytes returns the witness as it stands in a block.
func (w Witness) Bytes() []byte {
	out := appendName(make([]byte, 0, witnessSize), w.Station)
	out = binary.LittleEndian.AppendUint32(out, w.Generation)
	out = binary.LittleEndian.AppendUint64(out, w.Sequence)
	return append(out, w.Intent[:]...)
}

// witnessOf reads what Bytes has written.
func witnessOf(data []byte) Witness {
	le := binary.LittleEndian
	return Witness{
		Station:    string(bytes.TrimRight(data[:maxName], "\x00")),
		Generation: le.Uint32(data[maxName:]),
		Sequence:   le.Uint64(data[maxName+4:]),
		Intent:     [16]byte(data[maxName+12:]),
	}
}

// ErrBadBlock says that bytes are no constants block.
var ErrBadBlock = errors.New("not a constants block")

const (
	blockMagic   = "PNLC"
	blockSchema  = 1
	blockHead    = 12 // magic, schema, flags, length
	blockFixed   = 92 // all of the body before the first list
	witnessSize  = 60
	stateSize    = 4
	voidSize     = blockHead + stateSize + crcSize
	maxScale     = 62
	flagPerZone  = 1 // an offset per zone
	blockMaxBins = MaxBins
)

func pad4(n int) int { return (n + 3) &^ 3 }

func (b *Block) bodySize() int {
	return blockFixed + 4*len(b.Leakage) + pad4(2*len(b.LeakageBins)) + 4*len(b.Offsets)
}

// VoidBlock returns the bytes of the void form that bears a witness, as
// [Witness.Bytes] gives it; without one, of the bare form.
func VoidBlock(witness []byte) []byte {
	out := appendBlockHead(nil, 0, voidSize+len(witness))
	return appendBlockTail(append(out, witness...), Voided)
}

func appendBlockHead(out []byte, flags uint16, size int) []byte {
	out = append(out, blockMagic...)
	out = binary.LittleEndian.AppendUint16(out, blockSchema)
	out = binary.LittleEndian.AppendUint16(out, flags)
	return binary.LittleEndian.AppendUint32(out, uint32(size))
}

// appendBlockTail closes a block that starts at out's beginning.
func appendBlockTail(out []byte, s State) []byte {
	out = append(out, byte(s), 0, 0, 0)
	return binary.LittleEndian.AppendUint32(out, crc32c(out))
}

// check reports the first field outside its range.
func (b *Block) check() error {
	zones := b.Rows * b.Cols
	switch {
	case b.Rows < 1 || b.Cols < 1 || zones > MaxZones:
		return fmt.Errorf("%d x %d zones", b.Rows, b.Cols)
	case b.FirstBin < 0 || b.Bins < 0 || b.FirstBin+b.Bins > blockMaxBins || b.Bins == 0 && b.FirstBin != 0:
		return fmt.Errorf("%d bins from bin %d", b.Bins, b.FirstBin)
	case len(b.Leakage) != zones:
		return fmt.Errorf("leakage of %d zones, not %d", len(b.Leakage), zones)
	case len(b.LeakageBins) != zones*b.Bins:
		return fmt.Errorf("%d leakage bins, not %d", len(b.LeakageBins), zones*b.Bins)
	case len(b.Offsets) != 1 && len(b.Offsets) != zones:
		return fmt.Errorf("%d offsets, not 1 or %d", len(b.Offsets), zones)
	case max(b.LeakageScale, b.BinScale, b.OffsetScale) > maxScale:
		return errors.New("a scale above 2^-62")
	case b.TempMilliCel < minTemp || b.TempMilliCel > maxTemp:
		return fmt.Errorf("temperature of %d m°C", b.TempMilliCel)
	case b.State != Written && b.State != Released:
		return fmt.Errorf("%v in a block with constants", b.State)
	}
	return errors.Join(checkName(b.Serial), checkName(b.Witness.Station))
}

func checkName(name string) error {
	if len(name) > maxName || !utf8.ValidString(name) || bytes.IndexByte([]byte(name), 0) >= 0 {
		return fmt.Errorf("name %q", name)
	}
	return nil
}

// Body returns the part of the block that the write intent hashes: all
// before the witness. It depends neither on the witness nor on the state.
func (b *Block) Body() ([]byte, error) {
	whole, err := b.Marshal()
	if err != nil || b.State == Voided {
		return nil, err
	}
	return whole[:b.bodySize():b.bodySize()], nil
}

// Hash returns the SHA-256 of the body.
func (b *Block) Hash() ([32]byte, error) {
	body, err := b.Body()
	return sha256.Sum256(body), err
}

// Marshal returns the block byte for byte as the unit keeps it.
func (b *Block) Marshal() ([]byte, error) {
	if b.State == Voided && b.Witness == (Witness{}) {
		return VoidBlock(nil), nil
	}
	if b.State == Voided {
		if err := checkName(b.Witness.Station); err != nil {
			return nil, fmt.Errorf("building a void form: %w", err)
		}
		return VoidBlock(b.Witness.Bytes()), nil
	}
	if err := b.check(); err != nil {
		return nil, fmt.Errorf("building a constants block: %w", err)
	}
	le := binary.LittleEndian
	var flags uint16
	// A grid of one zone has one offset "for all zones": one form only.
	if len(b.Offsets) > 1 {
		flags = flagPerZone
	}
	size := b.bodySize() + witnessSize + stateSize + crcSize
	out := appendBlockHead(make([]byte, 0, size), flags, size)
	for _, v := range []int{b.Rows, b.Cols, b.FirstBin, b.Bins} {
		out = le.AppendUint16(out, uint16(v))
	}
	out = append(out, b.LeakageScale, b.BinScale, b.OffsetScale, 0)
	out = le.AppendUint32(out, uint32(b.TempMilliCel))
	out = appendName(out, b.Serial)
	out = append(append(out, b.ProductRev[:]...), b.LimitsRev[:]...)
	for _, v := range b.Leakage {
		out = le.AppendUint32(out, uint32(v))
	}
	for _, v := range b.LeakageBins {
		out = le.AppendUint16(out, uint16(v))
	}
	for len(out)%4 != 0 { // an odd number of bins
		out = append(out, 0)
	}
	for _, v := range b.Offsets {
		out = le.AppendUint32(out, uint32(v))
	}
	return appendBlockTail(append(out, b.Witness.Bytes()...), b.State), nil
}

func appendName(out []byte, name string) []byte {
	var field [maxName]byte
	copy(field[:], name)
	return append(out, field[:]...)
}

// ParseBlock reads a block as a unit keeps it. Only bytes that Marshal
// would write are accepted; anything else is ErrBadBlock.
func ParseBlock(data []byte) (*Block, error) {
	b, err := parseBlock(data)
	if err != nil {
		return nil, fmt.Errorf("%w: %w", ErrBadBlock, err)
	}
	again, err := b.Marshal()
	if err != nil {
		return nil, fmt.Errorf("%w: %w", ErrBadBlock, err)
	}
	if !bytes.Equal(again, data) {
		return nil, fmt.Errorf("%w: reserved bytes in use", ErrBadBlock)
	}
	return b, nil
}

func parseBlock(data []byte) (*Block, error) {
	le := binary.LittleEndian
	n := len(data)
	switch {
	case n < voidSize || n > MaxBlock:
		return nil, fmt.Errorf("%d bytes", n)
	case string(data[:4]) != blockMagic:
		return nil, errors.New("does not begin with " + blockMagic)
	case le.Uint16(data[4:]) != blockSchema:
		return nil, fmt.Errorf("schema %d, not %d", le.Uint16(data[4:]), blockSchema)
	case le.Uint32(data[8:]) != uint32(n):
		return nil, fmt.Errorf("%d bytes, said to be %d", n, le.Uint32(data[8:]))
	case le.Uint32(data[n-crcSize:]) != crc32c(data[:n-crcSize]):
		return nil, errors.New("wrong CRC")
	case n == voidSize:
		return &Block{State: State(data[blockHead])}, nil
	case n == voidSize+witnessSize:
		return &Block{State: State(data[blockHead+witnessSize]), Witness: witnessOf(data[blockHead:])}, nil
	case n < blockFixed+witnessSize+stateSize+crcSize:
		return nil, fmt.Errorf("%d bytes", n)
	}
	u16 := func(at int) int { return int(le.Uint16(data[at:])) }
	b := &Block{
		Rows: u16(12), Cols: u16(14), FirstBin: u16(16), Bins: u16(18),
		LeakageScale: data[20], BinScale: data[21], OffsetScale: data[22],
		TempMilliCel: int32(le.Uint32(data[24:])),
		Serial:       string(bytes.TrimRight(data[28:60], "\x00")),
		ProductRev:   [16]byte(data[60:]), LimitsRev: [16]byte(data[76:]),
	}
	zones := b.Rows * b.Cols
	offsets := 1
	if le.Uint16(data[6:])&flagPerZone != 0 {
		offsets = zones
	}
	leakageAt, binsAt := blockFixed, blockFixed+4*zones
	offsetsAt := pad4(binsAt + 2*zones*b.Bins)
	tail := offsetsAt + 4*offsets
	if tail+witnessSize+stateSize+crcSize != n {
		return nil, fmt.Errorf("%d bytes do not hold %d zones with %d bins", n, zones, b.Bins)
	}
	for at := leakageAt; at < binsAt; at += 4 {
		b.Leakage = append(b.Leakage, int32(le.Uint32(data[at:])))
	}
	for i := range zones * b.Bins {
		b.LeakageBins = append(b.LeakageBins, int16(le.Uint16(data[binsAt+2*i:])))
	}
	for at := offsetsAt; at < tail; at += 4 {
		b.Offsets = append(b.Offsets, int32(le.Uint32(data[at:])))
	}
	b.Witness = witnessOf(data[tail:])
	b.State = State(data[tail+witnessSize])
	return b, nil
}
