package main

import (
	"regexp"
	"runtime/debug"
	"strings"
	"testing"
)

// TestHelpOfOptions: help shows each option as the examples do, with two dashes and the name of its value, a default only
// where there is one, and `help NAME` is `NAME --help`.
func TestHelpOfOptions(t *testing.T) {
	oneDash := regexp.MustCompile(`(^|[\s\[(])-[a-z]`)
	for _, c := range commands {
		_, out, _ := cli("", c.name, "--help")
		if bad := oneDash.FindString(out); bad != "" {
			t.Errorf("longlane %s --help shows an option with one dash (%q):\n%s", c.name, bad, out)
		}
		if strings.Contains(out, "18446744073709551615") || strings.Contains(out, "default: )") {
			t.Errorf("longlane %s --help shows a default that is none:\n%s", c.name, out)
		}
		for _, ask := range [][]string{{"help", c.name}, {"--help", c.name}, {"-h", c.name}} {
			if code, got, errs := cli("", ask...); code != exitDone || got != out {
				t.Errorf("longlane %q: exit code %d, %q, it says\n%s\nwant the same as longlane %s --help", ask, code, errs, got, c.name)
			}
		}
	}
	for _, c := range []struct{ command, want string }{
		{"check", "  --config FILE\n        the configuration file to check (default: " + defaultConfig + ")\n"},
		{"check", "  --json\n        print the result as JSON\n"},
		{"sim", "  --for TIME\n"},
		{"decode", "  --counter COUNTER\n        the whole counter, if it is known; otherwise the low 2^20 are tried\n"},
	} {
		if _, out, _ := cli("", c.command, "--help"); !strings.Contains(out, c.want) {
			t.Errorf("longlane %s --help lacks\n%s\nin\n%s", c.command, c.want, out)
		}
	}
	if code, _, errs := cli("", "help", "fly"); code != exitUsage || !strings.Contains(errs, `no subcommand "fly"`) {
		t.Errorf("longlane help fly: exit code %d, %q; want %d", code, errs, exitUsage)
	}
}

// TestOptionMistakes: a mistake with an option is told in the words of help; a time needs its unit and a positive one.
func TestOptionMistakes(t *testing.T) {
	for _, c := range []struct {
		args []string
		want string
	}{
		{[]string{"sim", "--for", "5"}, `invalid value "5" for flag --for: expected a number with its unit, such as "5s"`},
		{[]string{"sim", "--for", "-5s"}, `invalid value "-5s" for flag --for: expected a time that is not negative`},
		{[]string{"sim", "-for", "a -b"}, `invalid value "a -b" for flag --for: `},
		{[]string{"demo", "--for", "30"}, `invalid value "30" for flag --for: expected a number with its unit`},
		{[]string{"demo", "--for", "-30s"}, `not negative`},
		{[]string{"sim", "--seed"}, "needs an argument: --seed"},
		{[]string{"check", "--jso"}, "not defined: --jso"},
		{[]string{"check", "--json=maybe"}, `invalid boolean value "maybe" for --json: expected true or false; `},
		{[]string{"plan", "--battery", "12Ah"}, `invalid value "12Ah" for flag --battery: expected a number without a unit, such as 12; `},
		{[]string{"decode", "--sf", "SF7"}, `invalid value "SF7" for flag --sf: expected a number without a unit, such as 12; `},
		{[]string{"decode", "--counter", "4294967296"}, "expected a whole number from 0 to 4294967295"},
	} {
		if code, _, errs := cli("", c.args...); code != exitUsage || !strings.Contains(errs, c.want) {
			t.Errorf("longlane %q: exit code %d, %q; want %d and %q", c.args, code, errs, exitUsage, c.want)
		}
	}
}

func TestVersion(t *testing.T) {
	for _, ask := range []string{"version", "--version"} {
		code, out, errs := cli("", ask)
		if code != exitDone || !strings.HasPrefix(out, "longlane ") || !strings.Contains(out, "\nbuilt with go1.") {
			t.Errorf("longlane %s: exit code %d, %q, %q", ask, code, out, errs)
		}
	}
	info := &debug.BuildInfo{GoVersion: "go1.26.8", Main: debug.Module{Version: "v1.2.3"}, Settings: []debug.BuildSetting{
		{Key: "vcs.revision", Value: "0123abcd"}, {Key: "vcs.time", Value: "2026-03-01T06:12:09Z"},
		{Key: "vcs.modified", Value: "true"}, {Key: "GOOS", Value: "linux"}, {Key: "GOARCH", Value: "arm64"}}}
	var b strings.Builder
	printVersion(&b, info)
	want := "longlane v1.2.3\nrevision 0123abcd of 2026-03-01T06:12:09Z, with changes\nbuilt with go1.26.8 for linux/arm64\n"
	if b.String() != want {
		t.Errorf("printVersion wrote %q, want %q", b.String(), want)
	}
}
