package raster

import (
	"container/list"
	"sync"
)

// entryBytes is what an entry costs beside its block, and all that a left-out
// block costs.
const entryBytes = 128

// cache keeps the blocks used last. Blocks are never written to after put, so
// one may be dropped while it is still being read.
type cache struct {
	mu     sync.Mutex
	budget int
	used   int
	order  *list.List // most recent first
	blocks map[[2]int]*list.Element
}

type entry struct {
	key   [2]int
	block []byte
}

func newCache(budget int) *cache {
	return &cache{budget: budget, order: list.New(), blocks: map[[2]int]*list.Element{}}
}

func (c *cache) get(key [2]int) (block []byte, ok bool) {
	c.mu.Lock()
	defer c.mu.Unlock()
	e, ok := c.blocks[key]
	if !ok {
		return nil, false
	}
	c.order.MoveToFront(e)
	return e.Value.(entry).block, true
}

func (c *cache) put(key [2]int, block []byte) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if _, ok := c.blocks[key]; ok { // decoded by two readers at once
		return
	}
	c.blocks[key] = c.order.PushFront(entry{key, block})
	c.used += len(block) + entryBytes
	for c.used > c.budget && c.order.Len() > 1 {
		last := c.order.Remove(c.order.Back()).(entry)
		delete(c.blocks, last.key)
		c.used -= len(last.block) + entryBytes
	}
}
