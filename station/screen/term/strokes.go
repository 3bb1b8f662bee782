package term

import (
	"math"
	"strings"
)

// Half returns letters of rows cells height, drawn in half blocks: dots that
// are as wide as a cell and half as high, which makes them square. columns is
// the width of most letters, from 4. Strokes are one dot thick, two from seven
// columns on, three from eleven.
func Half(rows, columns int) Font {
	p := pen{columns: columns, thick: 1}
	gap := 1
	switch {
	case columns >= 11:
		p.thick, gap = 3, 2
	case columns >= 7:
		p.thick = 2
	}
	return Font{rows: rows, gap: gap, pen: p}
}

// pen draws letters from their strokes.
type pen struct {
	columns int // of a letter that is four units wide
	thick   int // dots of a stroke, both ways
}

// heavy is the pen for a sign: two dots thick at least.
func (p pen) heavy(s stroke) pen {
	if s.sign {
		p.thick = max(p.thick, 2)
	}
	return p
}

// width is the columns that a letter takes.
func (p pen) width(s stroke) int {
	p = p.heavy(s)
	return int(math.Round(float64((p.columns-p.thick)*s.wide)/4)) + p.thick
}

// draw returns the letter in rows cells, of half blocks.
func (p pen) draw(s stroke, rows int) []string {
	p = p.heavy(s)
	width := p.width(s)
	high := 2 * rows
	dots := make([]bool, width*high)
	at := func(line string, i int) (x, y int) {
		x = outward(float64(line[i]-'0')*float64(width-p.thick)/math.Max(float64(s.wide), 1), width-p.thick)
		return x, outward(float64(line[i+1]-'0')*float64(high-p.thick)/6, high-p.thick)
	}
	stamp := func(left, top int) {
		for dy := range p.thick {
			for dx := range p.thick {
				dots[(top+dy)*width+left+dx] = true
			}
		}
	}
	for _, line := range strings.Fields(s.lines) {
		x, y := at(line, 0)
		stamp(x, y)
		for i := 2; i+1 < len(line); i += 2 {
			toX, toY := at(line, i)
			// One dot after the other along the longer side, so that a corner
			// that is cut stays cut.
			steps := max(toX-x, x-toX, toY-y, y-toY)
			for k := 1; k <= steps; k++ {
				part := float64(k) / float64(steps)
				stamp(outward(float64(x)+float64(toX-x)*part, width-p.thick), outward(float64(y)+float64(toY-y)*part, high-p.thick))
			}
			x, y = toX, toY
		}
	}
	lines := make([]string, rows)
	for row := range rows {
		var b strings.Builder
		for x := range width {
			upper, lower := dots[2*row*width+x], dots[(2*row+1)*width+x]
			switch {
			case upper && lower:
				b.WriteRune('█')
			case upper:
				b.WriteRune('▀')
			case lower:
				b.WriteRune('▄')
			default:
				b.WriteByte(' ')
			}
		}
		lines[row] = b.String()
	}
	return lines
}

// outward rounds a place of 0 to most; one between two dots to that which is
// farther from the middle, so that both halves of a letter are alike.
func outward(at float64, most int) int {
	if at < float64(most)/2 {
		return int(math.Ceil(at - 0.5))
	}
	return int(math.Floor(at + 0.5))
}

// stroke is how a letter is drawn: lines through points of two digits, x and
// y, with y from 0 at the top to 6. wide is the letter's own width.
type stroke struct {
	wide  int
	lines string
	sign  bool // told by its shape: drawn thicker than letters
}

// strokeOf returns the letter of r, or the question mark.
func strokeOf(r rune) stroke {
	if s, ok := strokes[r]; ok {
		return s
	}
	return strokes['?']
}

// The letters are drawn for this project.
var strokes = map[rune]stroke{
	'A':  {4, "060110304146 0343", false},
	'B':  {4, "003041423303 334445360600", false},
	'C':  {4, "4130100105163645", false},
	'D':  {4, "00304145360600", false},
	'E':  {4, "40000646 0333", false},
	'F':  {4, "400006 0333", false},
	'G':  {4, "41301001051636454323", false},
	'H':  {4, "0006 4046 0343", false},
	'I':  {2, "0020 1016 0626", false},
	'J':  {4, "4045361605", false},
	'K':  {4, "0006 401346 0313", false},
	'L':  {3, "000636", false},
	'M':  {6, "0600336066", false},
	'N':  {4, "06004640", false},
	'O':  {4, "103041453616050110", false},
	'P':  {4, "06003041423303", false},
	'Q':  {4, "103041453616050110 2446", false},
	'R':  {4, "06003041423303 2346", false},
	'S':  {4, "413010010213334445361605", false},
	'T':  {4, "0040 2026", false},
	'U':  {4, "000516364540", false},
	'V':  {4, "002640", false},
	'W':  {6, "0016325660", false},
	'X':  {4, "0046 4006", false},
	'Y':  {4, "002340 2326", false},
	'Z':  {4, "00400646", false},
	'0':  {4, "103041453616050110 2324", false},
	'1':  {2, "011016 0626", false},
	'2':  {4, "01103041420646", false},
	'3':  {4, "01103041423313 334445361605", false},
	'4':  {4, "36300444", false},
	'5':  {4, "400003334445361605", false},
	'6':  {4, "4130100105163645443303", false},
	'7':  {4, "004016", false},
	'8':  {4, "103041423313020110 1304051636454433", false},
	'9':  {4, "0516364541301001021343", false},
	' ':  {2, "", false},
	'!':  {0, "0004 06", false},
	'#':  {4, "1016 3036 0242 0444", false},
	'%':  {4, "0001 4546 4006", false},
	'&':  {4, "4612112031320405162644", false},
	'\'': {0, "0001", false},
	'(':  {1, "10010516", false},
	')':  {1, "00111506", false},
	'+':  {4, "2125 0343", false},
	',':  {1, "1506", false},
	'-':  {3, "0333", false},
	'.':  {0, "06", false},
	'/':  {4, "4006", false},
	':':  {0, "01 05", false},
	'<':  {3, "300336", false},
	'=':  {4, "0242 0444", false},
	'>':  {3, "003306", false},
	'?':  {4, "01103041422324 26", false},
	Bars: {4, "0006 4046", true},
	Tick: {6, "032660", true},
	// The cross is wider than an X, so that it is no letter.
	Cross: {6, "0066 6006", true},
}
