package wholefile

import (
	"errors"
	"io/fs"
	"os"
	"path/filepath"
	"testing"
)

func TestWrite(t *testing.T) {
	dir := t.TempDir()
	path := filepath.Join(dir, "list")
	refused := errors.New("refused")
	refuse := func(string) error { return refused }
	for _, tc := range []struct {
		what, data string
		o          Options
		err        error
		want       string
	}{
		{"a new one", "one", Options{New: true}, nil, "one"},
		{"no new one over it", "two", Options{New: true}, fs.ErrExist, "one"},
		{"in its place", "three", Options{}, nil, "three"},
		{"not as it was prepared", "four", Options{Prepare: func(*os.File) error { return refused }}, refused, "three"},
		{"not verified", "five", Options{Verify: refuse}, refused, "three"},
		{"prepared and verified", "six", Options{
			Prepare: func(f *os.File) error { return f.Chmod(0o640) },
			Verify: func(name string) error {
				if data, err := os.ReadFile(name); err != nil || string(data) != "six" {
					t.Errorf("to be verified: %q, %v", data, err)
				}
				return nil
			}}, nil, "six"},
	} {
		if err := Write(path, []byte(tc.data), tc.o); !errors.Is(err, tc.err) {
			t.Errorf("%s: %v, want %v", tc.what, err, tc.err)
		}
		if data, err := os.ReadFile(path); err != nil || string(data) != tc.want {
			t.Errorf("%s: the file holds %q, %v, want %q", tc.what, data, err, tc.want)
		}
		if left, _ := os.ReadDir(dir); len(left) != 1 {
			t.Errorf("%s: %d files in the directory, want one", tc.what, len(left))
		}
	}
	if st, err := os.Stat(path); err != nil || st.Mode().Perm() != 0o640 {
		t.Errorf("%v, %v, want mode 0640", st.Mode(), err)
	}
}
