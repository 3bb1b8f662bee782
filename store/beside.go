package store

import (
	"cmp"
	"errors"
	"fmt"
	"os"
	"slices"
	"time"

	"golang.org/x/mod/sumdb/tlog"

	"example.org/panecal/store/proof"
	"example.org/panecal/store/record"
)

// Beside is what stands outside a store and remembers its log. The zero value
// is nothing but what the store's own head file names.
type Beside struct {
	Memory []string // folders that may remember the log; see Options
	// Known is a folder of a reader's own, which remembers what the reader met;
	// see Meet.
	Known string
	// Checkpoints are files and folders with checkpoints, which are looked at
	// where they are there; Against those that must be, or other copies of the log.
	Checkpoints, Against []string
	Public               string // key under which they are checked, "" for not known
	// Leads are people whose signed statements explain what a unit testified.
	Leads []string
}

// claim is a record that somebody outside the chain of records remembers.
type claim struct {
	Witness
	generation uint32
	hash       record.Hash
	memory     *recollection    // of a memory, or a reader
	checkpoint *FoundCheckpoint // of a checkpoint

	found bool
	got   record.Ref // the record that stands there
	// began is the record that stands where the run of the station began that the
	// claim tells of.
	start uint64
	began record.Ref
}

// besideCheck holds what others remember against the records as they come by.
type besideCheck struct {
	*checker
	claims []*claim
	tree   proof.Tree
	gap    bool // records are missing: the tree is none any more
	roots  map[int64]tlog.Hash
	others []*otherLog
	starts map[uint64]bool // records with which a run of the station began
	units  unexplained     // what units testified that nobody has explained since
}

// begin finds out who remembers the log.
func (b *besideCheck) begin(list Beside) error {
	r, path, problem, note := recall(b.disk, b.dir, list.Memory, b.mark)
	b.tell(problem, note)
	if r != nil {
		b.claims = append(b.claims, &claim{Witness: Witness{Kind: "memory", Where: path, Sequence: r.Sequence}, generation: r.Generation, hash: r.Hash, memory: r, start: r.Start})
	}
	if list.Known != "" {
		path := memoryFile(list.Known, b.mark.Store)
		if r, err := readRecollection(b.disk, path); err == nil {
			b.claims = append(b.claims, &claim{Witness: Witness{Kind: "reader", Where: path, Sequence: r.Sequence}, generation: r.Generation, hash: r.Hash, memory: &r, start: r.Start})
		}
	}
	if l, err := ReadLastBackup(b.dir); err == nil && l.Hash != (record.Hash{}) {
		b.claims = append(b.claims, &claim{Witness: Witness{Kind: "backup", Where: backupName, Sequence: l.Sequence}, generation: l.Generation, hash: l.Hash})
	}
	list.Against = b.beginLogs(list.Against)
	return b.beginCheckpoints(list)
}

func (b *besideCheck) beginCheckpoints(list Beside) error {
	b.roots = map[int64]tlog.Hash{}
	origin := proof.Origin(b.mark.Station, b.mark.Store)
	unsigned := 0
	for i, path := range append(list.Against[:len(list.Against):len(list.Against)], list.Checkpoints...) {
		all, err := ReadCheckpoints(path, list.Public)
		if i >= len(list.Against) && err != nil {
			if !errors.Is(err, os.ErrNotExist) {
				b.note(err.Error())
			}
			continue
		}
		if err != nil {
			return err
		}
		for _, f := range all {
			switch {
			case f.Err != nil:
				b.say(Witnessed, f.Path, uint64(f.Size), -1, f.Err.Error())
			case f.Origin != origin:
				b.note(fmt.Sprintf("%s is a checkpoint of another log, %s", f.Path, f.Origin))
				continue
			case !f.Signed:
				unsigned++
			}
			if f.Size > 0 && f.Origin == origin {
				b.roots[f.Size] = tlog.Hash{}
				b.claims = append(b.claims, &claim{Witness: Witness{Kind: "checkpoint", Where: f.Path, Sequence: uint64(f.Size)},
					generation: f.Generation, hash: f.Head, checkpoint: &f, start: f.Start})
			}
		}
	}
	if unsigned > 0 {
		b.note(fmt.Sprintf("%d checkpoints were held against the log, and their signatures were not checked: the station's public key is not known", unsigned))
	}
	return nil
}

func (b *besideCheck) tell(problem *Problem, note string) {
	if problem != nil {
		b.report.Problems = append(b.report.Problems, *problem)
	}
	if note != "" {
		b.note(note)
	}
}

// record is told of each record of the log, in order.
func (b *besideCheck) record(ref record.Ref) {
	for _, c := range b.claims {
		if c.Sequence == ref.Sequence {
			c.found, c.got = true, ref
		}
		if c.start == ref.Sequence {
			c.began = ref
		}
	}
	for _, o := range b.others {
		o.record(ref)
	}
	if b.gap || len(b.roots) == 0 && len(b.others) == 0 {
		return
	}
	if int64(ref.Sequence) != b.tree.Size+1 {
		b.gap = true
		return
	}
	b.tree.Add(ref.Hash)
	if _, wanted := b.roots[b.tree.Size]; wanted {
		b.roots[b.tree.Size] = b.tree.Root()
	}
}

// begun is told of the records with which runs of the station began.
func (b *besideCheck) begun(list []uint64) {
	for _, n := range list {
		if b.starts == nil {
			b.starts = map[uint64]bool{}
		}
		b.starts[n] = true
	}
}

// end judges every claim.
func (b *besideCheck) end() {
	for _, c := range b.claims {
		c.Agrees = c.Sequence == 0 || c.found && c.got.Hash == c.hash
		switch {
		case c.memory != nil && (c.found || c.Sequence > b.mark.Sequence): // else the log is damaged, as its own head file says
			b.tell(c.memory.judge(c.Where, b.dir, b.mark.Journal, b.report.Head, c.got, c.began))
		case c.checkpoint != nil:
			c.Agrees = c.Agrees && b.roots[c.checkpoint.Size] == c.checkpoint.Root
		case c.Kind == "backup" && c.found && !c.Agrees && c.got.Generation == c.generation:
			b.say(Rewritten, journalKind.name(max(1, b.mark.Journal)), c.Sequence, -1, fmt.Sprintf("record %d is not the one that was copied last", c.Sequence))
		}
		b.report.Witnesses = append(b.report.Witnesses, c.Witness)
	}
	b.judgeCheckpoints()
	for _, o := range b.others {
		o.judge(b)
	}
	b.judgeUnits()
}

// judgeCheckpoints locates what was rewritten: behind the last checkpoint that
// agrees, up to the first that does not.
func (b *besideCheck) judgeCheckpoints() {
	list := slices.DeleteFunc(slices.Clone(b.claims), func(c *claim) bool { return c.checkpoint == nil })
	slices.SortStableFunc(list, func(x, y *claim) int { return cmp.Compare(x.Sequence, y.Sequence) })
	file := journalKind.name(max(1, b.mark.Journal))
	agreed, older := uint64(0), uint64(0)
	for _, c := range list {
		if c.Agrees {
			agreed = max(agreed, c.Sequence)
		}
	}
	for _, c := range list {
		head := b.report.Head
		switch at := c.checkpoint.Time.Format(time.RFC3339); {
		case c.Agrees || older > 0:
		case c.checkpoint.run().forked(head, c.began):
			b.say(Forked, file, c.start, -1, c.checkpoint.run().forkText(fmt.Sprintf("checkpoint of %s, %s", at, c.Where)))
			return
		case c.Sequence > head.Sequence && b.gap || b.gap && b.roots[c.checkpoint.Size] == (tlog.Hash{}):
			// Damage hides what it speaks of, and is told by itself.
		case c.Sequence > head.Sequence && c.generation >= head.Generation:
			older = c.Sequence
			what := fmt.Sprintf("the log ends at record %d; the checkpoint of %s, %s, covers %d", head.Sequence, at, c.Where, c.Sequence)
			if b.mark.Copy || b.mark.Path != "" && b.mark.Path != absolute(b.dir) {
				b.note("older_copy: " + what)
			} else if head.Sequence >= b.mark.Sequence {
				b.say(RolledBack, file, head.Sequence+1, -1, what)
			}
		case c.Sequence > head.Sequence || c.found && c.got.Generation > c.generation:
			b.note(fmt.Sprintf("generation %d of this log went on to record %d elsewhere (%s)", c.generation, c.Sequence, c.Where))
		case c.Sequence < agreed:
			b.say(Witnessed, c.Where, c.Sequence, -1, fmt.Sprintf("the checkpoint of %s is of another log of this name: one at record %d agrees", at, agreed))
		default:
			b.say(Rewritten, file, agreed+1, -1, fmt.Sprintf("of records %d to %d at least one is not what it was at the checkpoint of %s, %s: the log was rewritten, or went on from a copy",
				agreed+1, c.Sequence, at, c.Where))
			return // what follows it cannot agree either
		}
	}
}
