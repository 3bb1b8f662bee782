package protocol

import "math"

// MaxBlock is the largest constants block, bytes.
const MaxBlock = 1 << 19

// ReadConstants asks for a part of the constants block in force.
type ReadConstants struct {
	Offset int // first byte
	Count  int // bytes; the unit may answer with fewer
}

func (*ReadConstants) Op() Op { return OpReadConstants }
func (r *ReadConstants) fields(f *form) {
	num(f, 1, &r.Offset, 0, MaxBlock-1)
	num(f, 2, &r.Count, 1, MaxPayload)
}

// ConstantsPart is the answer to ReadConstants. A unit that never held
// constants says Length 0; one whose constants were voided has the void form
// of the block.
type ConstantsPart struct {
	Length int // of the whole block
	Offset int
	Data   []byte // empty at and after the end
}

func (c *ConstantsPart) fields(f *form) {
	num(f, 1, &c.Length, 0, MaxBlock)
	num(f, 2, &c.Offset, 0, MaxBlock-1)
	f.bytes(3, &c.Data, 0, MaxPayload)
}

// Answer cuts the part that r asks for out of block.
func (r *ReadConstants) Answer(block []byte, maxOut int) *ConstantsPart {
	from := min(r.Offset, len(block))
	n := min(r.Count, len(block)-from, maxOut-valuesOverhead)
	return &ConstantsPart{Length: len(block), Offset: r.Offset, Data: block[from : from+n]}
}

// Stage hands the unit a part of a block that is to come into force at the
// commit. Offset 0 begins a new block.
type Stage struct {
	Length int // of the whole block
	Offset int
	Data   []byte
}

func (*Stage) Op() Op { return OpStage }
func (s *Stage) fields(f *form) {
	num(f, 1, &s.Length, 1, MaxBlock)
	num(f, 2, &s.Offset, 0, MaxBlock-1)
	f.bytes(3, &s.Data, 1, MaxPayload)
	if s.Offset+len(s.Data) > s.Length {
		f.fail(3, "longer than the block")
	}
}

// stageOverhead is what a stage request's payload needs beside its data.
const stageOverhead = 48

// Staged is the answer to Stage: the number of bytes held from the block's
// beginning without a gap. The station goes on from there.
type Staged struct{ Held int }

func (s *Staged) fields(f *form) { num(f, 1, &s.Held, 0, MaxBlock) }

// Commit brings the staged block into force, whole or not at all. It is
// named by its length and its own last four bytes; a commit of the block
// already in force does nothing and succeeds.
type Commit struct {
	Length int
	CRC    uint32
}

func (*Commit) Op() Op { return OpCommit }
func (c *Commit) fields(f *form) {
	num(f, 1, &c.Length, 1, MaxBlock)
	num(f, 2, &c.CRC, 0, math.MaxUint32)
}

// Void makes the constants void from now on.
type Void struct {
	Witness []byte // as [Witness.Bytes] gives it, carried by the void form; empty for none
}

func (*Void) Op() Op { return OpVoid }
func (v *Void) fields(f *form) {
	if !f.decoding && len(v.Witness) == 0 || f.decoding && !f.has(1) {
		return
	}
	f.bytes(1, &v.Witness, witnessSize, witnessSize)
}
