package main

import (
	"errors"
	"fmt"
	"math"
	"strconv"
	"strings"
	"time"

	"longlane/gateway/config"
	"longlane/radio/plan"
)

// planRadio is the channel and the power that a plan is for, if they are not the region's usual ones.
type planRadio struct {
	frequency, power *float64 // Hz, dBm; nil: not given
	listen           time.Duration
	// Where each comes from, for messages.
	frequencyFrom, powerFrom string
}

func (r *planRadio) flags(c *call) {
	number := func(to **float64, from *string, flag string, unit float64) func(string) error {
		return func(s string) error {
			v, err := strconv.ParseFloat(s, 64)
			if err != nil || math.IsNaN(v) || math.IsInf(v, 0) {
				return fmt.Errorf("found %q, expected a number", s)
			}
			if v *= unit; flag == "--frequency" && v <= 0 {
				return fmt.Errorf("found %q, expected a channel in MHz, such as 869.525", s)
			}
			*to, *from = &v, flag
			return nil
		}
	}
	c.Func("frequency", "plan for this LoRa channel, in `MHZ`; left out: that of --config, or the region's usual one", number(&r.frequency, &r.frequencyFrom, "--frequency", 1e6))
	c.Func("power", "the most that each LoRa modem puts out, in `DBM`; left out: that of --config, or the region's usual one", number(&r.power, &r.powerFrom, "--power", 1))
}

// ofGateway takes over what the modems of a gateway's configuration have, unless flags say otherwise.
func (r *planRadio) ofGateway(file string, modems []config.Modem, region string) error {
	if len(modems) == 0 { // on Wi-Fi alone
		return nil
	}
	m := modems[0]
	r.listen = time.Duration(m.CarrierSense)
	for _, other := range modems {
		if other.Region != "" && other.Region != region {
			return fmt.Errorf("%s: [[modem]] %s: region: found %q, expected %q, as the lane file has it", file, other.Name, other.Region, region)
		}
		if r.frequency == nil && other.Frequency != m.Frequency {
			return fmt.Errorf("%s: [[modem]] %s and %s: found them at %d and %d Hz, expected one channel, or --frequency: a plan is for one", file, m.Name, other.Name, m.Frequency, other.Frequency)
		}
		if r.power == nil && other.Power != m.Power {
			return fmt.Errorf("%s: [[modem]] %s and %s: found them at %d and %d dBm, expected one power, or --power: a plan is for one", file, m.Name, other.Name, m.Power, other.Power)
		}
		r.listen = min(r.listen, time.Duration(other.CarrierSense))
	}
	if r.frequency == nil {
		v := float64(m.Frequency)
		r.frequency, r.frequencyFrom = &v, file+": [[modem]] "+m.Name
	}
	if r.power == nil {
		v := float64(m.Power)
		r.power, r.powerFrom = &v, file+": [[modem]] "+m.Name
	}
	return nil
}

func (r *planRadio) into(o *plan.Options) {
	if o.Power, o.Listen = r.power, r.listen; r.frequency != nil {
		o.Frequency = *r.frequency
	}
}

// about says of an error of a plan what it is about: the flag or the file that has the channel or the power which it names, or else other.
func (r *planRadio) about(other string, err error) error {
	from := map[string]string{"frequency": r.frequencyFrom, "power": r.powerFrom}
	var wrong *plan.OptionError
	if errors.As(err, &wrong) && strings.HasPrefix(wrong.Name, "goal: ") {
		return &plan.OptionError{Name: "--" + wrong.Name, Found: wrong.Found, Expected: wrong.Expected}
	}
	if !errors.As(err, &wrong) || from[wrong.Name] == "" {
		return fmt.Errorf("%s: %w", other, err)
	}
	if name := "--" + wrong.Name; from[wrong.Name] == name { // which says it twice otherwise
		return &plan.OptionError{Name: name, Found: wrong.Found, Expected: wrong.Expected}
	}
	return fmt.Errorf("%s: %w", from[wrong.Name], err)
}
