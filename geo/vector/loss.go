package vector

import "fmt"

// Loss is something that a format could not carry.
type Loss struct {
	What    string
	Records int // that it befell; 0 when it befell the layer as a whole
	First   int // number of the first of them
}

func (l Loss) String() string {
	switch l.Records {
	case 0:
		return l.What
	case 1:
		return fmt.Sprintf("%s (record %d)", l.What, l.First)
	}
	return fmt.Sprintf("%s (%d records, the first is %d)", l.What, l.Records, l.First)
}

// Ledger counts losses by what was lost. The zero value is ready.
type Ledger struct {
	losses []Loss
	at     map[string]int
	last   map[string]int // record that a loss was last counted for
}

// maxLosses bounds the kinds of losses that are told apart.
const maxLosses = 500

// Add counts a loss of a record, once however often it befalls it; number 0
// means the layer as a whole.
func (l *Ledger) Add(number int, what string) {
	if l.at == nil {
		l.at, l.last = map[string]int{}, map[string]int{}
	}
	i, has := l.at[what]
	if !has {
		if len(l.losses) >= maxLosses {
			what = "and more of other kinds"
			i, has = l.at[what]
		}
		if !has {
			i = len(l.losses)
			l.losses = append(l.losses, Loss{What: what, First: number})
			l.at[what] = i
		}
	}
	if number != 0 && l.last[what] != number {
		l.losses[i].Records++
		l.last[what] = number
	}
}

// Losses returns what was lost, in the order in which it first was.
func (l *Ledger) Losses() []Loss { return l.losses }
