package config

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// TestNoBoard: others on the network get the page only with a password.
func TestNoBoard(t *testing.T) {
	for _, c := range []struct {
		http, password string
		served         bool
	}{{"127.0.0.1:9465", "", true}, {"localhost:9465", "", true}, {"[::1]:9465", "", true}, {"", "", false}, {":9465", "", false}, {"0.0.0.0:9465", "", false},
		{"192.168.1.5:9465", "", false}, {"192.168.1.5:9465", "/etc/longlane/board.pass", true}} {
		cfg := &Config{HTTP: c.http, Board: Board{PasswordFile: c.password}}
		if why := cfg.NoBoard(); (why == "") != c.served {
			t.Errorf("%+v: %q", c, why)
		}
	}
}

// TestBoardPasswordFile: one that is not there, open to others, or holds the password itself is refused with what to do.
func TestBoardPasswordFile(t *testing.T) {
	dir := t.TempDir()
	const hash = "$2a$12$R9h/cIPz0gi.URNNX3kh2OPST9/PgBkqquzi.Ss7KIUgO2t0jWMUW" // a published example, from memory
	for _, c := range []struct {
		name, text string
		mode       os.FileMode
		want       string
	}{
		{"good", hash + "\n", 0o600, ""},
		{"open", hash + "\n", 0o644, "chmod 600"},
		{"plain", "apples and pears\n", 0o600, "such as the password itself"},
		{"cut", hash[:50], 0o600, "something else than a bcrypt hash"},
		{"none", "", 0, "make it: longlane check --board-password "},
	} {
		path := filepath.Join(dir, c.name)
		if c.mode != 0 {
			if err := os.WriteFile(path, []byte(c.text), c.mode); err != nil {
				t.Fatal(err)
			}
		}
		file := filepath.Join(dir, c.name+".toml")
		if err := os.WriteFile(file, fmt.Appendf(nil, "site=\"s\"\ngateway=\"g\"\n[wifi]\n[board]\npassword_file=%q\n", path), 0o600); err != nil {
			t.Fatal(err)
		}
		_, err := Load(file)
		if c.want == "" && err != nil || c.want != "" && (err == nil || !strings.Contains(err.Error(), c.want)) {
			t.Errorf("%s: %v, want %q", c.name, err, c.want)
		}
	}
}
