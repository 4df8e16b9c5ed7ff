package config

import (
	"errors"
	"fmt"
	"strings"
	"testing"
	"time"
)

type scenario struct {
	Seed   uint64         `toml:"seed"`
	Scale  float64        `toml:"scale"`
	Small  int8           `toml:"small"`
	Start  time.Time      `toml:"start"`
	Words  []string       `toml:"words"`
	Grid   [][]int        `toml:"grid"`
	Node   []scenarioNode `toml:"node"`
	Limit  map[string]int `toml:"limit"`
	Extra  any            `toml:"extra"`
	Strict upper          `toml:"strict"`
	Hidden int
}

type scenarioNode struct {
	Name string         `toml:"name"`
	Loss float32        `toml:"loss"`
	Wait *Duration      `toml:"wait"`
	Next []scenarioNode `toml:"next"`
}

func (n *scenarioNode) SetDefaults() { n.Loss = 0.25 }

// upper is a text type without Expected.
type upper string

func (u *upper) UnmarshalText(text []byte) error {
	if s := string(text); s != strings.ToUpper(s) {
		return fmt.Errorf("capital letters only")
	}
	*u = upper(text)
	return nil
}

func TestDecode(t *testing.T) {
	var s scenario
	err := Decode("s.toml", []byte(`
seed = 18
scale = 2
small = -128
start = 2026-05-01T06:30:00Z
words = ["a", 'b']
grid = [[1, 2], [], [3]]
extra = {x = 1}
strict = "ABC"
limit.a = 1
limit."b.c" = 2
[[node]]
name = "river"
wait = "3s"
[[node.next]]
name = "relay"
loss = 1
[[node]]
`), &s)
	if err != nil {
		t.Fatal(err)
	}
	s.Start = s.Start.UTC()
	got := fmt.Sprintf("%v %v %v %v %v %v %v %v %v %q %v %v", s.Seed, s.Scale, s.Small, s.Start.Format(time.RFC3339), s.Words, s.Grid,
		s.Extra, s.Strict, s.Limit, s.Node[0].Name, *s.Node[0].Wait, s.Node[0].Next[0].Loss)
	want := `18 2 -128 2026-05-01T06:30:00Z [a b] [[1 2] [] [3]] map[x:1] ABC map[a:1 b.c:2] "river" 3s 1`
	if got != want {
		t.Errorf("Decode = %s\n    want %s", got, want)
	}
	if s.Node[1].Loss != 0.25 || s.Node[1].Wait != nil {
		t.Errorf("a new element starts as %+v, want its defaults", s.Node[1])
	}
}

func TestDecodeProblems(t *testing.T) {
	for _, c := range []struct{ text, want string }{
		{`seed = -1`, `1:8: seed: found -1, expected a whole number from 0 to 18446744073709551615`},
		{`small = 128`, `1:9: small: found 128, expected a whole number from -128 to 127`},
		{`small = 1.0`, `1:9: small: found 1.0, expected a whole number`},
		{`scale = nan`, `1:9: scale: found NaN, expected a number`},
		{`scale = "2"`, `1:9: scale: found "2", expected a number`},
		{`start = 2026-05-01`, `1:9: start: found the date or time 2026-05-01, expected a date and time such as 2026-05-01T06:30:00Z`},
		{`words = "a"`, `1:9: words: found "a", expected a list in [ ]`},
		{"words = ['a',\n 'é', 3]", `2:7: words[2]: found 3, expected a text in quotes`},
		{`grid = [[1], [2, true]]`, `1:18: grid[1][1]: found true, expected a whole number`},
		{`node = 1`, `1:8: node: found 1, expected tables written [[node]], one for each`},
		{`limit = 3`, `1:9: limit: found 3, expected tables written [limit.NAME]`},
		{`limit.x = "é"`, `1:11: limit.x: found "é", expected a whole number`},
		{`"limit".'a b' = true`, `1:17: limit."a b": found true, expected a whole number`},
		{`strict = "abc"`, `1:10: strict: found "abc", expected another text: capital letters only`},
		{`strict = 1`, `1:10: strict: found 1, expected a text in quotes`},
		{`node = [{name = "a", los = 1}]`, `1:22: node[0].los: found an unknown key, expected one of name, loss, wait, next; did you mean "loss"?`},
		{"[[node]]\n[[node]]\n[[node.next]]\n[[node.next]]\nloss = []", `5:1: node[1].next[1].loss: found a list, expected a number`},
		{`Seed = 1`, `1:1: Seed: found an unknown key, expected one of seed, scale, small, start, words, grid, node, limit, extra, strict; did you mean "seed"?`},
		{`Hidden = 1`, `1:1: Hidden: found an unknown key, expected one of seed, scale, small, start, words, grid, node, limit, extra, strict`},
		{`loss = 1`, `1:1: loss: found an unknown key, expected one of seed, scale, small, start, words, grid, node, limit, extra, strict; did you mean "loss" under [[node]]?`},
		{`[seed]`, `1:2: seed: found a table, expected a whole number`},
		{`seed`, `1:4: line 1: found "seed", expected "=" and a value after the key`},
		{"scale = 7 m", `1:11: scale: found "m", expected the end of the line after a value; a number with its unit stands in quotes, such as "7 m"`},
		{"scale = “7 m”", `1:9: scale: found "“7 m”", expected a text in straight quotes (")`},
		{"# é\nscale = é", `2:9: scale: found "é", expected a text in quotes, a number, true or false`},
		{"seed = 99999999999999999999", `1:8: seed: found "99999999999999999999", expected valid TOML (decimal number is too large to fit in a 64-bit signed integer)`},
	} {
		var s scenario
		err := Decode("s.toml", []byte(c.text), &s)
		if err == nil || err.Error() != "s.toml:"+c.want {
			t.Errorf("Decode(%q) = %v\n    want s.toml:%s", c.text, err, c.want)
		}
	}
}

// TestDecodeKeepsOld: what is refused leaves the value that was there, so that a default never turns into a zero.
func TestDecodeKeepsOld(t *testing.T) {
	s := scenario{Seed: 7, Words: []string{"x"}}
	if err := Decode("s.toml", []byte("seed = 'a'\nwords = 3"), &s); err == nil || s.Seed != 7 || len(s.Words) != 1 {
		t.Errorf("after a refusal: %+v, %v", s, err)
	}
}

func TestPosition(t *testing.T) {
	d, err := Open("s.toml", []byte("a.b = 1\n[[modem]]\n  device = 'x'\n[[modem]]\n[zone.\"x.y\"]\ntitle = ''\n[zone.'q\"']\nt = { u = 5 }\n"))
	if err != nil {
		t.Fatal(err)
	}
	for path, want := range map[string]string{
		"a": "1:1", "a.b": "1:7", "modem": "2:3", "modem[0]": "2:3", "modem[0].device": "3:12", "modem[1]": "4:3",
		"modem[1].device": "4:3", "modem[7].device": "2:3", "nothing": "1:1", "": "1:1", "a.zz[3].b": "1:1",
		`zone."x.y".title`: "6:9", `zone."x.y".other`: "5:7", `zone."q\""`: "7:7", `zone."q\"".t.u`: "8:11", `zone."q\"".t.v`: "8:5",
	} {
		line, col := d.Position(path)
		if got := fmt.Sprintf("%d:%d", line, col); got != want {
			t.Errorf("Position(%q) = %s, want %s", path, got, want)
		}
	}
	if !d.Has("modem[0].device") || d.Has("modem[1].device") {
		t.Errorf("Has tells modem[0].device and modem[1].device apart wrongly")
	}
}

func TestParent(t *testing.T) {
	for path, want := range map[string]string{
		"": "", "site": "", "a.b": "a", "modem[3]": "modem", "modem[3].device": "modem[3]", "a[0][1]": "a[0]",
		`zone."x.y"`: "zone", `zone."x[0].y\".z".t`: `zone."x[0].y\".z"`, `zone."\\".t`: `zone."\\"`,
	} {
		if got := parent(path); got != want {
			t.Errorf("parent(%s) = %q, want %q", path, got, want)
		}
	}
}

// TestRefuse: a later check adds to what decoding found, once for each mistake and in the order of the file.
func TestRefuse(t *testing.T) {
	d, err := Open("s.toml", []byte("seed = 'a'\n[[node]]\nname = 'x'\n"))
	if err != nil {
		t.Fatal(err)
	}
	d.Refuse("node[0].name", `"x"`, "a longer name")
	var s scenario
	d.Into(&s)
	d.Refuse("seed", "0", "more than that")        // decoding has spoken of it already
	d.Refuse("node[0].name.inner", "a", "nothing") // its table is refused already
	want := "s.toml:1:8: seed: found \"a\", expected a whole number\ns.toml:3:8: node[0].name: found \"x\", expected a longer name"
	if err := d.Err(); err == nil || err.Error() != want {
		t.Errorf("Err() = %v\nwant %s", err, want)
	}
	var p *Problem
	if !errors.As(d.Err(), &p) || p.Field != "seed" {
		t.Errorf("errors.As finds %+v, want the first problem", p)
	}
}

func TestProblemsAreBounded(t *testing.T) {
	var text strings.Builder
	for i := range 10 * maxProblems {
		fmt.Fprintf(&text, "k%d = 1\n", i)
	}
	var ps Problems
	if err := Decode("s.toml", []byte(text.String()), &scenario{}); !errors.As(err, &ps) || len(ps) != maxProblems {
		t.Errorf("%d unknown keys gave %d problems, want %d", 10*maxProblems, len(ps), maxProblems)
	}
}

// TestHostileSizes: files of the greatest size that is read cost little time and memory, whatever their shape. Each
// of these would take minutes, or all memory, if the work grew with the square of the size.
func TestHostileSizes(t *testing.T) {
	for name, text := range map[string]string{
		"dots":     "a" + strings.Repeat(".a", maxFile/2-4) + "=1",
		"nested":   "a=" + strings.Repeat("[", 9000) + strings.Repeat("]", 9000),
		"long key": strings.Repeat("k", maxFile-4) + "=1",
		"wrong":    "words=[" + strings.Repeat("1,", maxFile/2-8) + "]",
		"tables":   strings.Repeat("[[node]]\nx=1\n", maxFile/13),
	} {
		start := time.Now()
		if err := Decode("s.toml", []byte(text), &scenario{}); err == nil {
			t.Errorf("%s: accepted", name)
		} else if len(err.Error()) > 100_000 {
			t.Errorf("%s: a message of %d bytes", name, len(err.Error()))
		}
		if d := time.Since(start); d > time.Minute {
			t.Errorf("%s: took %v", name, d)
		}
	}
}

func TestNearest(t *testing.T) {
	names := []string{"site", "gateway", "spreading_factor", "client_id", "window"}
	for key, want := range map[string]string{
		"sit": "site", "SITE": "site", "spreading-factor": "spreading_factor", "spreadfactor": "spreading_factor",
		"clientid": "client_id", "x": "", "colour": "", "gatway": "gateway", strings.Repeat("a", 1000): "",
	} {
		if got := nearest(key, names); got != want {
			t.Errorf("nearest(%.20q) = %q, want %q", key, got, want)
		}
	}
}

// FuzzDecode: a document of any shape is walked without a panic, and every value found has a place.
func FuzzDecode(f *testing.F) {
	f.Add([]byte("seed = 1\nlimit.\"b.c\" = 2\n[[node]]\nname = 'r'\n[[node.next]]\nwait = '3s'\n[[node]]\n"))
	f.Add([]byte("node = [{name = 'a', next = [{loss = 1}, {}]}]\ngrid = [[1],[]]\nextra = {\"\" = 1}"))
	f.Add([]byte("\"\\\"\" = 1\n[a.b]\n[a]\n[[c.d]]\n[c.d.e]\n[[c.d]]"))
	f.Fuzz(func(t *testing.T, data []byte) {
		d, err := Open("f.toml", data)
		if err != nil {
			checkProblems(t, data, err)
			return
		}
		everyPlace(t, d, "", d.tree)
		d.Into(&scenario{})
		if err := d.Err(); err != nil {
			checkProblems(t, data, err)
		}
	})
}

func everyPlace(t *testing.T, d *Document, path string, value any) {
	t.Helper()
	if path != "" && !d.Has(path) {
		if _, ok := d.at[parent(path)]; !ok {
			t.Fatalf("no place for %s, nor for what holds it", path)
		}
	}
	switch v := value.(type) {
	case map[string]any:
		for key, item := range v {
			everyPlace(t, d, join(path, key), item)
			if _, ok := d.keys[join(path, key)]; !ok {
				t.Fatalf("no place for the key %s", join(path, key))
			}
		}
	case []any:
		for i, item := range v {
			everyPlace(t, d, element(path, i), item)
		}
	}
}
