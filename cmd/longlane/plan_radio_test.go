package main

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"longlane/gateway/config"
)

// gatewayOn is a gateway's configuration with modems that have these lines.
func gatewayOn(t *testing.T, modems ...string) string {
	t.Helper()
	text := "site = \"orchard\"\ngateway = \"house\"\nstate = \"/nowhere\"\n[wifi]\nlisten = \":5410\"\n"
	for i, m := range modems {
		text += fmt.Sprintf("[[modem]]\nname = \"m%d\"\ndevice = \"/dev/m%d\"\n%s\n", i, i, m)
	}
	file := filepath.Join(t.TempDir(), "house.toml")
	if err := os.WriteFile(file, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	return file
}

// TestPlanForOwnChannel: the plan, its "lawful by", and the files that follow from it are for the channel and the power of the gateway's modem, or those
// of the flags, which go before; without either they are the region's usual ones.
func TestPlanForOwnChannel(t *testing.T) {
	lane := filepath.Join(lanes, "hill-orchard.toml")
	own := gatewayOn(t, "frequency = 868100000\npower = 11")
	for _, c := range []struct {
		name             string
		args             []string
		frequency, power int
		rule             string
	}{
		{"usual", nil, 869_525_000, 14, "869.4-869.65 MHz: 500 mW ERP; 360 s in any hour"},
		{"by the gateway's file", []string{"--config", own}, 868_100_000, 11, "868-868.6 MHz: 25 mW ERP; 36 s in any hour"},
		{"by flags", []string{"--frequency", "868.3", "--power", "0", "--goal", "90 %, 2 s, 1 dB"}, 868_300_000, 0, "868-868.6 MHz: 25 mW ERP"},
		{"by both", []string{"--config", own, "--frequency", "869.525"}, 869_525_000, 11, "869.4-869.65 MHz"},
		{"a gateway on Wi-Fi alone", []string{"--config", gatewayOn(t)}, 869_525_000, 14, "869.4-869.65 MHz"},
		{"two modems alike", []string{"--config", gatewayOn(t, "frequency = 868100000", "frequency = 868100000")}, 868_100_000, 14, "868-868.6 MHz"},
	} {
		dir := filepath.Join(t.TempDir(), "new")
		code, out, errs := cli("", append([]string{"plan", lane, "--write", dir}, c.args...)...)
		if code != exitDone || errs != "" {
			t.Errorf("%s: exit code %d, %s", c.name, code, errs)
			continue
		}
		if want := fmt.Sprintf(", %.3f MHz, ", float64(c.frequency)/1e6); !strings.Contains(out, want) || !strings.Contains(out, "lawful by europe, "+c.rule) {
			t.Errorf("%s: no %q, or not lawful by %s, in\n%s", c.name, want, c.rule, out)
		}
		written, err := config.ReadAlone(filepath.Join(dir, "longlane.toml"))
		if err != nil {
			t.Fatal(err)
		}
		if m := written.Modem[0]; m.Frequency != c.frequency || m.Power != c.power {
			t.Errorf("%s: the gateway is written with %d Hz and %d dBm, want %d and %d", c.name, m.Frequency, m.Power, c.frequency, c.power)
		}
		scenario, err := os.ReadFile(filepath.Join(dir, "scenario.toml"))
		if err != nil {
			t.Fatal(err)
		}
		for _, want := range []string{fmt.Sprintf("\nfrequency = %.6f ", float64(c.frequency)/1e6), fmt.Sprintf("\npower = %d.0 ", c.power)} {
			if !strings.Contains(string(scenario), want) && !strings.Contains(string(scenario), strings.Replace(want, ".0 ", " ", 1)) {
				t.Errorf("%s: no %q in\n%s", c.name, want, scenario)
			}
		}
	}
}

// TestPlanRadioMistakes: what no rule allows, and modems that are no one plan's, are refused by where they stand.
func TestPlanRadioMistakes(t *testing.T) {
	lane := filepath.Join(lanes, "hill-orchard.toml")
	off, loud := gatewayOn(t, "frequency = 433000000"), gatewayOn(t, "frequency = 868100000\npower = 20")
	two := func(second string) string { return gatewayOn(t, "frequency = 868100000\npower = 14", second) }
	for _, c := range []struct {
		args []string
		want string
	}{
		{[]string{"--frequency", "433"}, "longlane plan: --frequency: found 433.000 MHz, expected a channel that the rules of europe allow; they cover 863-865 MHz"},
		{[]string{"--frequency", "433", "--between", "river-gate,house"}, "longlane plan: --frequency: found 433.000 MHz"},
		{[]string{"--frequency", "868.1", "--power", "20"}, "longlane plan: --power: found 20 dBm, expected 15 dBm or less: no more is lawful in europe at 868.100 MHz"},
		{[]string{"--frequency", "0"}, `found "0", expected a channel in MHz`},
		{[]string{"--frequency", "NaN"}, `found "NaN", expected a number`},
		{[]string{"--power", "much"}, `found "much", expected a number`},
		{[]string{"--config", off}, off + ": [[modem]] m0: frequency: found 433.000 MHz"},
		{[]string{"--config", loud}, loud + ": [[modem]] m0: power: found 20 dBm"},
		{[]string{"--config", two("frequency = 868300000\npower = 14")}, "found them at 868100000 and 868300000 Hz, expected one channel, or --frequency"},
		{[]string{"--config", two("frequency = 868100000\npower = 13")}, "found them at 14 and 13 dBm, expected one power, or --power"},
		{[]string{"--config", two("frequency = 915000000\nregion = \"united-states\"\nbandwidth = 500000")}, `region: found "united-states", expected "europe"`},
	} {
		if code, out, errs := cli("", append([]string{"plan", lane}, c.args...)...); code != exitUsage || out != "" || !strings.Contains(errs, c.want) {
			t.Errorf("longlane plan %q: exit code %d, %q; want %d and %q", c.args, code, errs, exitUsage, c.want)
		}
	}
}
