package proof

import (
	"errors"
	"fmt"
	"slices"

	"golang.org/x/mod/sumdb/tlog"

	"example.org/panecal/store/record"
)

// Tree is the right edge of the Merkle tree over a log's first Size records:
// the roots of its complete subtrees, the largest first. It is all that is
// needed to go on, and to know the root. The zero value is an empty log's.
type Tree struct {
	Size  int64       `json:"size"`
	Edge  []tlog.Hash `json:"edge"`
	wants map[int64]tlog.Hash
}

// Leaf is the leaf of a record.
func Leaf(h record.Hash) tlog.Hash { return tlog.RecordHash(h[:]) }

// Add makes a record's hash the next leaf.
func (t *Tree) Add(h record.Hash) { t.add(Leaf(h)) }

func (t *Tree) add(h tlog.Hash) {
	n := t.Size
	t.keep(0, n, h)
	t.Size++
	for level := 0; n&1 == 1; level++ {
		last := len(t.Edge) - 1
		h = tlog.NodeHash(t.Edge[last], h)
		t.Edge = t.Edge[:last]
		n >>= 1
		t.keep(level+1, n, h)
	}
	t.Edge = append(t.Edge, h)
}

// keep takes down a hash that somebody wants.
func (t *Tree) keep(level int, n int64, h tlog.Hash) {
	if t.wants == nil {
		return
	}
	if i := tlog.StoredHashIndex(level, n); t.wanted(i) {
		t.wants[i] = h
	}
}

// edgeIndexes are the numbers of the hashes in Edge.
func (t *Tree) edgeIndexes() (list []int64) {
	begins := int64(0)
	for level := 62; level >= 0; level-- {
		if t.Size>>level&1 == 1 {
			list = append(list, tlog.StoredHashIndex(level, begins>>level))
			begins += 1 << level
		}
	}
	return list
}

func (t *Tree) wanted(i int64) bool { _, ok := t.wants[i]; return ok }

// Root is the root of the tree, that of an empty log for the zero value.
func (t *Tree) Root() tlog.Hash {
	if len(t.Edge) == 0 {
		h, _ := tlog.TreeHash(0, nil) // SHA-256 of nothing; it asks for no hash
		return h
	}
	h := t.Edge[len(t.Edge)-1]
	for i := len(t.Edge) - 2; i >= 0; i-- {
		h = tlog.NodeHash(t.Edge[i], h)
	}
	return h
}

// Clone is a copy that goes on by itself.
func (t *Tree) Clone() Tree { return Tree{Size: t.Size, Edge: slices.Clone(t.Edge)} }

// Prover makes proofs of a log that goes by once: it is told of each record's hash,
// and no later than that what will be asked about it, and then answers. It keeps
// some tens of hashes for each question, and none of the log.
type Prover struct {
	tree Tree
	size int64
}

// NewProver begins at an empty log, to prove in a tree of that size.
func NewProver(size int64) *Prover { return &Prover{Tree{wants: map[int64]tlog.Hash{}}, size} }

// Want says that a proof about the record with that sequence will be asked for. It
// is told before the record is added.
func (p *Prover) Want(sequence uint64) error {
	_, err := tlog.ProveRecord(p.size, int64(sequence)-1, p.collect())
	return err
}

// WantGrowth says that growth from an earlier size will be asked for.
func (p *Prover) WantGrowth(from int64) error {
	_, err := tlog.ProveTree(p.size, from, p.collect())
	return err
}

// collect notes which hashes a proof is made of.
func (p *Prover) collect() tlog.HashReader {
	return tlog.HashReaderFunc(func(indexes []int64) ([]tlog.Hash, error) {
		// What a proof needs of the part that has gone by is the edge of the tree.
		edge := p.tree.edgeIndexes()
		for _, i := range indexes {
			if p.tree.wanted(i) {
				continue
			}
			p.tree.wants[i] = tlog.Hash{}
			if at := slices.Index(edge, i); at >= 0 {
				p.tree.wants[i] = p.tree.Edge[at]
			}
		}
		return make([]tlog.Hash, len(indexes)), nil
	})
}

func (p *Prover) kept() tlog.HashReader {
	return tlog.HashReaderFunc(func(indexes []int64) ([]tlog.Hash, error) {
		if p.tree.Size < p.size {
			return nil, fmt.Errorf("the log has %d records, not %d", p.tree.Size, p.size)
		}
		list := make([]tlog.Hash, len(indexes))
		for i, n := range indexes {
			if !p.tree.wanted(n) {
				return nil, errors.New("this proof was not asked for before")
			}
			list[i] = p.tree.wants[n]
		}
		return list, nil
	})
}

// Add takes the next record's hash; those beyond the size are passed over.
func (p *Prover) Add(h record.Hash) {
	if p.tree.Size < p.size {
		p.tree.Add(h)
	}
}

// Root is the root of the tree at the size.
func (p *Prover) Root() tlog.Hash { return p.tree.Root() }

// Record proves that the record with that sequence is in the log.
func (p *Prover) Record(sequence uint64) (tlog.RecordProof, error) {
	return tlog.ProveRecord(p.size, int64(sequence)-1, p.kept())
}

// Growth proves that the log at an earlier size grew into this one.
func (p *Prover) Growth(from int64) (tlog.TreeProof, error) {
	return tlog.ProveTree(p.size, from, p.kept())
}
