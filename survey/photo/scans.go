package photo

// mostScans is how often a JPEG may go over its picture. Cameras do so once and
// progressive files about ten times; each time costs as much as the whole
// picture, however few bytes it takes.
const mostScans = 100

// scans counts the scans of a JPEG, as far as one that is whole goes: ITU-T
// T.81, B.1.1, says what its markers are.
func scans(b []byte) int {
	n := 0
	for i := 0; i+1 < len(b); {
		if b[i] != 0xFF {
			i++ // of a scan, or nothing
			continue
		}
		switch marker := b[i+1]; {
		case marker == 0xFF:
			i++ // filled up
		case marker == 0 || marker >= 0xD0 && marker <= 0xD8: // a byte of a scan, a restart, the beginning
			i += 2
		case marker == 0xD9:
			return n
		case i+3 >= len(b):
			return n
		default:
			if marker == 0xDA {
				n++
			}
			i += 2 + max(2, int(b[i+2])<<8|int(b[i+3]))
		}
	}
	return n
}
