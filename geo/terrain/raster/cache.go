package raster

import (
	"container/list"
	"sync"
)

// entryBytes is what an entry costs beside its block, and all that a left-out
// block costs.
const entryBytes = 128

// cache keeps the blocks used last. Blocks are never written to once they are
// in it, so one may be dropped while it is still being read.
type cache struct {
	mu     sync.Mutex
	budget int
	used   int
	order  *list.List // of *entry, most recent first
	blocks map[[2]int]*list.Element
}

type entry struct {
	key   [2]int
	ready chan struct{} // closed when block and err are set
	block []byte
	err   error
}

func newCache(budget int) *cache {
	return &cache{budget: budget, order: list.New(), blocks: map[[2]int]*list.Element{}}
}

// get returns a block, decoding it if it is not there. Readers that ask for a
// block while it is being decoded wait for it.
func (c *cache) get(key [2]int, decode func() ([]byte, error)) ([]byte, error) {
	c.mu.Lock()
	if found, ok := c.blocks[key]; ok {
		c.order.MoveToFront(found)
		c.mu.Unlock()
		e := found.Value.(*entry)
		<-e.ready
		return e.block, e.err
	}
	e := &entry{key: key, ready: make(chan struct{})}
	at := c.order.PushFront(e)
	c.blocks[key] = at
	c.mu.Unlock()

	block, err := decode()

	c.mu.Lock()
	defer c.mu.Unlock()
	e.block, e.err = block, err
	close(e.ready)
	if err != nil { // to be tried again
		c.order.Remove(at)
		delete(c.blocks, key)
		return nil, err
	}
	c.used += len(e.block) + entryBytes
	c.shrink()
	return block, nil
}

// shrink drops the blocks used longest ago, but none that is being decoded.
func (c *cache) shrink() {
	for at := c.order.Back(); at != nil && c.used > c.budget && c.order.Len() > 1; {
		e, before := at.Value.(*entry), at.Prev()
		select {
		case <-e.ready:
			c.order.Remove(at)
			delete(c.blocks, e.key)
			c.used -= len(e.block) + entryBytes
		default:
		}
		at = before
	}
}
