package protocol

// The layers below the messages, for tests against published vectors.
var (
	AppendCOBS   = appendCOBS
	AppendUnCOBS = appendUnCOBS
	CRC32C       = crc32c
	SkipItem     = skipItem
	AppendInt    = appendInt
	AppendHead   = appendHead
	AppendTyped  = appendTyped
	ReadTyped    = readTyped
)
