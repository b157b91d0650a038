package server

import "sync"

// kept remembers values for as long as what they were made of stays as it is,
// told by a stamp such as the state of the atlas. When there are too many, it
// begins anew.
type kept[S comparable, V any] struct {
	most int // of the sizes of all values together

	mu    sync.Mutex
	stamp S
	all   map[string]V
	size  int
}

func (k *kept[S, V]) get(stamp S, key string) (V, bool) {
	k.mu.Lock()
	defer k.mu.Unlock()
	if k.all == nil || stamp != k.stamp {
		k.all, k.stamp, k.size = map[string]V{}, stamp, 0
	}
	v, ok := k.all[key]
	return v, ok
}

// put keeps a value of a size, unless something has changed since get was asked.
func (k *kept[S, V]) put(stamp S, key string, v V, size int) {
	k.mu.Lock()
	defer k.mu.Unlock()
	if k.all == nil || stamp != k.stamp {
		return
	}
	if k.size+size > k.most {
		k.all, k.size = map[string]V{}, 0
	}
	k.all[key], k.size = v, k.size+size
}
