package term

// Letters are the block letters of a terminal. Some terminals show half blocks
// with gaps: they have letters of full blocks, or of ASCII.
type Letters uint8

// The letters. Those of full cells are made of whatever the caller fills them
// with.
const (
	HalfBlocks Letters = iota
	FullCells
)

// narrowest is the least width of most letters.
const narrowest = 4

// Fitting returns the largest font in which s takes at most columns and rows,
// and false where none does.
func (l Letters) Fitting(s string, columns, rows int) (Font, bool) {
	if l == FullCells {
		for _, f := range []Font{Seven(), Five()} {
			if f.Rows() <= rows && f.Has(s) && f.Width(s) <= columns {
				return f, true
			}
		}
		return Font{}, false
	}
	const least = 3 // rows in which letters are still told apart
	for wide := rows * 4 / 3; wide >= narrowest && rows >= least; wide-- {
		if f := Half(rows, wide); f.Has(s) && f.Width(s) <= columns {
			return f, true
		}
	}
	return Font{}, false
}
