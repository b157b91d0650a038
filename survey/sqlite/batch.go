package sqlite

import "iter"

// batchSize is how many rows one statement writes.
const batchSize = 128

// batch is what passes from the goroutine that reads to the one that writes.
// An err comes after the rows before it.
type batch[T any] struct {
	rows []T
	err  error
}

// inBatches hands what a sequence yields to write. The sequence is read in a
// goroutine of its own, so that reading a file and writing the atlas go on at
// the same time; it has ended when inBatches returns.
func inBatches[T any](all iter.Seq2[T, error], write func(<-chan batch[T]) error) error {
	batches, stop := make(chan batch[T], 4), make(chan struct{})
	var panicked any
	go func() {
		defer close(batches)
		defer func() { panicked = recover() }()
		fill(all, batches, stop)
	}()
	err := write(batches)
	close(stop)
	for range batches { // until the reader has ended
	}
	if panicked != nil {
		panic(panicked) // where the caller can catch it
	}
	return err
}

// fill reads a sequence until it ends, yields an error, or nobody wants more.
func fill[T any](all iter.Seq2[T, error], batches chan<- batch[T], stop <-chan struct{}) {
	send := func(b batch[T]) bool {
		select {
		case batches <- b:
			return true
		case <-stop:
			return false
		}
	}
	rows := make([]T, 0, batchSize)
	for row, err := range all {
		if err != nil {
			send(batch[T]{rows, err})
			return
		}
		if rows = append(rows, row); len(rows) == batchSize {
			if !send(batch[T]{rows, nil}) {
				return
			}
			rows = make([]T, 0, batchSize)
		}
	}
	send(batch[T]{rows, nil})
}
