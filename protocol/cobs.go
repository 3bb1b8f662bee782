package protocol

// appendCOBS appends the consistent overhead byte stuffing of src, which
// holds no 0x00, to dst (S. Cheshire and M. Baker, IEEE/ACM Transactions on
// Networking 7 (1999) 159-172). A last block of exactly 254 bytes is closed
// by nothing.
func appendCOBS(dst, src []byte) []byte {
	code := len(dst) // where the current block's length goes
	dst = append(dst, 1)
	for i, b := range src {
		if b != 0 {
			dst = append(dst, b)
			dst[code]++
		}
		if b == 0 || dst[code] == 0xff && i+1 < len(src) {
			code = len(dst)
			dst = append(dst, 1)
		}
	}
	return dst
}

// appendUnCOBS appends the bytes that src stands for to dst. It reports
// false for bytes that no encoder writes: a 0x00, or a block longer than
// what is left. A superfluous closing 0x01 after a block of 254 is accepted
// (the listing in the paper writes one).
func appendUnCOBS(dst, src []byte) ([]byte, bool) {
	for len(src) > 0 {
		n := int(src[0])
		if n == 0 || n > len(src) {
			return dst, false
		}
		for _, b := range src[1:n] {
			if b == 0 {
				return dst, false
			}
			dst = append(dst, b)
		}
		src = src[n:]
		if n < 0xff && len(src) > 0 {
			dst = append(dst, 0)
		}
	}
	return dst, true
}
