package main

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"syscall"

	"longlane/gateway/planfiles"
	"longlane/gateway/wholefile"
	"longlane/radio/plan"
)

// writePlan writes what follows from a plan into a directory, which is made if it is not there: all of it or nothing, and never over what is there.
// write is wholefile.Write.
func writePlan(p *plan.Plan, dir, lane string, write func(path string, data []byte, o wholefile.Options) error) (*planfiles.Set, error) {
	dir, err := filepath.Abs(dir)
	if err != nil {
		return nil, err
	}
	if lane, err = filepath.Abs(lane); err != nil {
		return nil, err
	}
	set, err := planfiles.Of(p, planfiles.Options{Dir: dir, Lane: lane})
	if err != nil {
		return nil, err
	}
	if err := nothingThere(set); err != nil {
		return nil, err
	}
	made, err := makeDirs(dir)
	if err != nil {
		return nil, errors.Join(err, remove(made))
	}
	for _, f := range set.Files {
		path := filepath.Join(dir, f.Name)
		if err := write(path, f.Data, wholefile.Options{New: true, Prepare: forAll}); err != nil {
			return nil, errors.Join(fmt.Errorf("%w; nothing was written", err), remove(made))
		}
		made = append(made, path)
	}
	return set, nil
}

// nothingThere refuses by name what would be overwritten.
func nothingThere(set *planfiles.Set) error {
	var there []string
	for _, f := range set.Files {
		if _, err := os.Lstat(filepath.Join(set.Dir, f.Name)); err == nil {
			there = append(there, f.Name)
		}
	}
	if there == nil {
		return nil
	}
	return fmt.Errorf("found %s in %s already, and nothing is overwritten, expected none of the files that follow from the plan: move them away, or name another directory",
		strings.Join(there, ", "), set.Dir)
}

// makeDirs makes a directory and those above it, and gives those that were not there, the outermost first.
func makeDirs(dir string) (made []string, err error) {
	info, err := os.Stat(dir)
	switch {
	case err == nil && !info.IsDir():
		return nil, fmt.Errorf("%s: found a file, expected a directory", dir)
	case err == nil:
		return nil, nil
	case !errors.Is(err, fs.ErrNotExist): // something on the way is no directory, or may not be looked into
		if up := filepath.Dir(dir); errors.Is(err, syscall.ENOTDIR) && up != dir {
			return makeDirs(up)
		}
		return nil, err
	}
	if made, err = makeDirs(filepath.Dir(dir)); err != nil {
		return made, err
	}
	if err := os.Mkdir(dir, 0o755); err != nil {
		return made, err
	}
	return append(made, dir), nil
}

// remove takes away what was made, the last first.
func remove(made []string) (err error) {
	for _, path := range slices.Backward(made) {
		err = errors.Join(err, os.Remove(path))
	}
	return err
}
