package vector

import (
	"fmt"
	"strings"
)

// Names makes names that differ by giving a number to those that come again.
// The zero value tells capitals from small letters.
type Names struct {
	Fold bool // whether names that differ only in case are the same
	used map[string]int
}

func (n *Names) key(name string) string {
	if n.Fold {
		return strings.ToLower(name)
	}
	return name
}

// Unique returns the name, or name_2, name_3 and so on where it was given out
// before.
func (n *Names) Unique(name string) string {
	if n.used == nil {
		n.used = map[string]int{}
	}
	key := n.key(name)
	last, taken := n.used[key]
	if !taken {
		n.used[key] = 1
		return name
	}
	for i := last + 1; ; i++ {
		other := fmt.Sprintf("%s_%d", name, i)
		if _, taken := n.used[n.key(other)]; !taken {
			n.used[key], n.used[n.key(other)] = i, 1
			return other
		}
	}
}

// Reset forgets the names.
func (n *Names) Reset() { clear(n.used) }
