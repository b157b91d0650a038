// Package sqlite keeps an atlas in one SQLite file: sites, points, layers and
// policies as they are, and every change ever made to them as a numbered
// revision that is never altered. It holds no rule of the job; what may be
// stored is decided by survey's Validate, which every write calls.
//
// A write that has returned without error is on the disk: the file is in
// write-ahead mode with synchronous=FULL, so the log is flushed before a
// commit is acknowledged, and a crash or a power cut loses only what was
// never acknowledged. Several programs may have the same atlas open; writers
// take turns, and readers see the last committed state.
package sqlite
