// Command player stands in for a player, or any command, of an annunciator while that is measured: it plays nothing, and tells when it
// had begun and when it had the first sample on its standard input. It imports next to nothing, since its start is in the figure.
//
//	player FIFO
//
// To the FIFO goes one line: began, first sample, bytes read, LONGLANE_ID or "-". Times are CLOCK_MONOTONIC, which all processes share, in
// nanoseconds; the first sample is 0 if there was none.
package main

import (
	"io"
	"os"
	"strconv"

	"golang.org/x/sys/unix"
)

// firstSample is how many bytes a WAV file of 16-bit PCM has with its first sample.
const firstSample = 44 + 2

func main() {
	began, first := now(), int64(0)
	head := make([]byte, firstSample)
	n, err := io.ReadFull(os.Stdin, head)
	if err == nil {
		first = now()
	}
	rest, err := io.Copy(io.Discard, os.Stdin)
	id := os.Getenv("LONGLANE_ID")
	if id == "" {
		id = "-"
	}
	line := ""
	for _, v := range []int64{began, first, int64(n) + rest} {
		line += strconv.FormatInt(v, 10) + " "
	}
	if err == nil {
		err = tell(line + id + "\n") // in one write, so that it stays whole beside others
	}
	if err != nil {
		os.Stderr.WriteString("player: " + err.Error() + "\n")
		os.Exit(1)
	}
}

func now() int64 {
	var ts unix.Timespec
	if err := unix.ClockGettime(unix.CLOCK_MONOTONIC, &ts); err != nil {
		panic(err) // Linux has always had it
	}
	return ts.Nano()
}

func tell(line string) error {
	f, err := os.OpenFile(os.Args[1], os.O_WRONLY, 0)
	if err != nil {
		return err
	}
	defer f.Close()
	_, err = f.WriteString(line)
	return err
}
