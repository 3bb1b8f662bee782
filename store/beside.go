package store

import "example.org/panecal/store/record"

// Beside is what stands outside a store and remembers its log. The zero value
// is nothing but what the store's own head file names.
type Beside struct {
	Memory []string // folders that may remember the log; see Options
}

// claim is a record that somebody outside the chain of records remembers.
type claim struct {
	Witness
	generation uint32
	hash       record.Hash

	found bool
	got   record.Ref // the record that stands there
}

// besideCheck holds what others remember against the records as they come by.
type besideCheck struct {
	*checker
	claims []*claim
	memory *recollection
}

// begin finds out who remembers the log.
func (b *besideCheck) begin(list Beside) {
	r, path, problem, note := recall(b.disk, b.dir, list.Memory, b.mark)
	if problem != nil {
		b.report.Problems = append(b.report.Problems, *problem)
	}
	if note != "" {
		b.note(note)
	}
	if r != nil {
		b.memory = r
		b.claim("memory", path, r.Generation, r.Sequence, r.Hash)
	}
}

func (b *besideCheck) claim(kind, where string, generation uint32, sequence uint64, hash record.Hash) {
	b.claims = append(b.claims, &claim{Witness: Witness{Kind: kind, Where: where, Sequence: sequence}, generation: generation, hash: hash})
}

// record is told of each record of the log, in order.
func (b *besideCheck) record(ref record.Ref) {
	for _, c := range b.claims {
		if c.Sequence == ref.Sequence {
			c.found, c.got = true, ref
		}
	}
}

// end judges every claim.
func (b *besideCheck) end() {
	for _, c := range b.claims {
		c.Agrees = c.Sequence == 0 || c.found && c.got.Hash == c.hash
		if c.Kind == "memory" && (c.found || c.Sequence > b.mark.Sequence) { // else the log is damaged, as its own head file says
			problem, note := b.memory.judge(c.Where, b.dir, b.mark.Journal, b.report.Head, c.got)
			if problem != nil {
				b.report.Problems = append(b.report.Problems, *problem)
			}
			if note != "" {
				b.note(note)
			}
		}
		b.report.Witnesses = append(b.report.Witnesses, c.Witness)
	}
}
