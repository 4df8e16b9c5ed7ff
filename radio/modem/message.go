package modem

import (
	"encoding/binary"
	"fmt"
	"math"
	"time"
)

// Version is the protocol version spoken here.
const Version = 1

// MaxText is the longest text (firmware, reason) in a message, in bytes.
const MaxText = 64

// Message types. Those of the host have the top bit clear, those of the modem have it set.
const (
	kindHello         = 0x01
	kindSetParameters = 0x02
	kindSend          = 0x03
	kindPing          = 0x04

	kindModemHello       = 0x81
	kindParametersResult = 0x82
	kindSendResult       = 0x83
	kindReceived         = 0x84
	kindNoise            = 0x85
	kindFault            = 0x86
	kindPong             = 0x87
)

// receivedFixed is the size of a Received message's body before the frame.
const receivedFixed = 8

// Message is one message of the protocol: one of the eleven types below.
type Message interface {
	kind() byte
	appendBody(dst []byte) []byte
}

// QuarterDB is a level in steps of 0.25 dB.
type QuarterDB int16

// DB returns q in dB (or dBm).
func (q QuarterDB) DB() float64 { return float64(q) / 4 }

// Quarters returns db in steps of 0.25 dB, rounded to the nearest; what does not fit goes to the nearest end, and no
// number at all to the lowest.
func Quarters(db float64) QuarterDB {
	if math.IsNaN(db) {
		return math.MinInt16
	}
	return QuarterDB(math.Round(max(math.MinInt16, min(math.MaxInt16, db*4))))
}

// Hello (01) asks the modem to say who it is.
type Hello struct {
	Version uint8
	Nonce   uint32 // not 0; the answer repeats it
}

// Parameters is how the radio is to be set. The packet format is fixed: explicit header, payload CRC on, IQ not inverted.
type Parameters struct {
	Frequency       uint32 // Hz
	Bandwidth       uint32 // Hz, the nominal figure rounded to whole Hz: 125000, 62500, 41670, 7810 ...
	SpreadingFactor uint8  // 5 to 12
	CodingRate      uint8  // 5 to 8, for 4/5 to 4/8
	Power           int8   // dBm, conducted, at the modem's connector
	SyncWord        uint8
	Preamble        uint16 // symbols
}

// SetParameters (02) sets the radio; the modem then receives all the time that it does not send.
type SetParameters struct {
	Tag uint16
	Parameters
}

// Send (03) asks the modem to transmit Frame (1 to 255 bytes) once, now.
type Send struct {
	Tag   uint16
	Frame []byte
}

// Ping (04) asks whether the modem lives.
type Ping struct {
	Nonce uint32
}

// ModemHello (81) says who the modem is: in answer to a Hello, and unasked (Nonce 0) whenever it has started.
type ModemHello struct {
	Version  uint8
	Nonce    uint32
	MaxFrame uint8 // longest frame it sends and receives, 1 to 255 bytes
	Firmware string
}

// ParametersResult (82) answers SetParameters.
type ParametersResult struct {
	Tag    uint16
	Reason Reason // ReasonNone: accepted
	Text   string // for people; empty when accepted
}

// SendResult (83) answers Send, once the frame is on the air or will never be.
type SendResult struct {
	Tag     uint16
	Outcome Outcome
	Power   int8   // dBm, as it was sent; 0 unless sent
	Airtime uint32 // ms, as it was sent, rounded up; 0 unless sent
	Reason  Reason // ReasonNone unless refused
	Text    string // for people; empty unless refused
}

// Received (84) is a frame from the air with a right CRC.
type Received struct {
	RSSI    QuarterDB // dBm
	SNR     QuarterDB // dB
	FreqErr int32     // Hz, carrier of the sender minus own
	Frame   []byte    // 1 to 255 bytes
}

// Noise (85) reports the channel's level while nobody sends.
type Noise struct {
	Floor QuarterDB // dBm
}

// FaultReport (86) says that something is wrong with the modem, or (FaultNone) that nothing is any more.
type FaultReport struct {
	Code FaultCode
	Text string
}

// Pong (87) answers Ping.
type Pong struct {
	Nonce uint32
	SetUp bool   // it has had parameters since it started
	Lost  uint32 // received frames thrown away since it started because the host did not take them
}

// Outcome is what became of a Send.
type Outcome uint8

// The outcomes.
const (
	Sent    Outcome = iota // it was on the air
	Busy                   // the channel was in use, or the modem sends another frame; trying again may help
	Refused                // Reason says why; trying again does not help
	numOutcomes
)

// Reason is why a modem refused something.
type Reason uint8

// The reasons. Other is for what the list does not name; the text then tells.
const (
	ReasonNone Reason = iota
	ReasonFrequency
	ReasonBandwidth
	ReasonSpreadingFactor
	ReasonCodingRate
	ReasonPower
	ReasonSyncWord
	ReasonPreamble
	ReasonCombination // each value is possible, but not together
	ReasonNotSetUp    // no parameters since the start
	ReasonTooLong
	ReasonNotAllowed // the modem keeps a duty cycle or a dwell time of its own
	ReasonRadio      // the radio chip does not do what it should
	ReasonOther
	numReasons
)

var reasonNames = [numReasons]string{"none", "frequency", "bandwidth", "spreading factor", "coding rate", "power",
	"sync word", "preamble", "combination of parameters", "not set up", "frame too long", "not allowed", "radio chip", "other"}

func (r Reason) String() string {
	if r < numReasons {
		return reasonNames[r]
	}
	return fmt.Sprintf("reason %d", uint8(r))
}

// FaultCode is what is wrong with a modem.
type FaultCode uint8

// The faults.
const (
	FaultNone       FaultCode = iota // all is well again
	FaultRadio                       // the radio chip does not answer, or not sensibly
	FaultClock                       // the oscillator or the synthesiser does not lock
	FaultAntenna                     // the transmitter sees a bad load
	FaultSupply                      // supply voltage too low
	FaultHot                         // too hot to send
	FaultRestarted                   // the watchdog restarted it
	FaultOtherCause                  // the text tells
	numFaults
)

var faultNames = [numFaults]string{"none", "radio chip", "oscillator", "antenna", "supply voltage", "temperature",
	"restarted by its watchdog", "other"}

func (f FaultCode) String() string {
	if f < numFaults {
		return faultNames[f]
	}
	return fmt.Sprintf("fault %d", uint8(f))
}

func (Hello) kind() byte            { return kindHello }
func (SetParameters) kind() byte    { return kindSetParameters }
func (Send) kind() byte             { return kindSend }
func (Ping) kind() byte             { return kindPing }
func (ModemHello) kind() byte       { return kindModemHello }
func (ParametersResult) kind() byte { return kindParametersResult }
func (SendResult) kind() byte       { return kindSendResult }
func (Received) kind() byte         { return kindReceived }
func (Noise) kind() byte            { return kindNoise }
func (FaultReport) kind() byte      { return kindFault }
func (Pong) kind() byte             { return kindPong }

var be = binary.BigEndian

func (m Hello) appendBody(b []byte) []byte { return be.AppendUint32(append(b, m.Version), m.Nonce) }

func (m SetParameters) appendBody(b []byte) []byte {
	b = be.AppendUint16(b, m.Tag)
	b = be.AppendUint32(b, m.Frequency)
	b = be.AppendUint32(b, m.Bandwidth)
	b = append(b, m.SpreadingFactor, m.CodingRate, byte(m.Power), m.SyncWord)
	return be.AppendUint16(b, m.Preamble)
}

func (m Send) appendBody(b []byte) []byte { return append(be.AppendUint16(b, m.Tag), m.Frame...) }

func (m Ping) appendBody(b []byte) []byte { return be.AppendUint32(b, m.Nonce) }

func (m ModemHello) appendBody(b []byte) []byte {
	b = be.AppendUint32(append(b, m.Version), m.Nonce)
	return append(append(b, m.MaxFrame), clip(m.Firmware)...)
}

func (m ParametersResult) appendBody(b []byte) []byte {
	b = append(be.AppendUint16(b, m.Tag), byte(m.Reason))
	return append(b, clip(m.Text)...)
}

func (m SendResult) appendBody(b []byte) []byte {
	b = append(be.AppendUint16(b, m.Tag), byte(m.Outcome), byte(m.Power))
	b = append(be.AppendUint32(b, m.Airtime), byte(m.Reason))
	return append(b, clip(m.Text)...)
}

func (m Received) appendBody(b []byte) []byte {
	b = be.AppendUint16(b, uint16(m.RSSI))
	b = be.AppendUint16(b, uint16(m.SNR))
	b = be.AppendUint32(b, uint32(m.FreqErr))
	return append(b, m.Frame...)
}

func (m Noise) appendBody(b []byte) []byte { return be.AppendUint16(b, uint16(m.Floor)) }

func (m FaultReport) appendBody(b []byte) []byte {
	return append(append(b, byte(m.Code)), clip(m.Text)...)
}

func (m Pong) appendBody(b []byte) []byte {
	b = append(be.AppendUint32(b, m.Nonce), 0)
	if m.SetUp {
		b[len(b)-1] = 1
	}
	return be.AppendUint32(b, m.Lost)
}

func clip(s string) string { return s[:min(len(s), MaxText)] }

// Verdict is what Parse makes of a packet.
type Verdict uint8

// The verdicts.
const (
	OK          Verdict = iota
	UnknownType         // no such message in this version
	BadBody             // a body that this message cannot have
)

// Parse reads a packet's body as a message of type kind. Whatever it accepts, Append writes with the same body, byte for
// byte. The message keeps nothing of body.
func Parse(kind byte, body []byte) (Message, Verdict) {
	p, known := parsers[kind]
	if !known {
		return nil, UnknownType
	}
	if len(body) < p.min || len(body) > p.max {
		return nil, BadBody
	}
	if m := p.parse(body); m != nil {
		return m, OK
	}
	return nil, BadBody
}

// parsers holds, by type, the shortest and the longest body and a function that returns nil if it refuses.
var parsers = map[byte]struct {
	min, max int
	parse    func(body []byte) Message
}{
	kindHello:            {5, 5, parseHello},
	kindSetParameters:    {16, 16, parseSetParameters},
	kindSend:             {3, 2 + 255, parseSend},
	kindPing:             {4, 4, parsePing},
	kindModemHello:       {6, 6 + MaxText, parseModemHello},
	kindParametersResult: {3, 3 + MaxText, parseParametersResult},
	kindSendResult:       {9, 9 + MaxText, parseSendResult},
	kindReceived:         {receivedFixed + 1, receivedFixed + 255, parseReceived},
	kindNoise:            {2, 2, parseNoise},
	kindFault:            {1, 1 + MaxText, parseFault},
	kindPong:             {9, 9, parsePong},
}

func parseHello(b []byte) Message {
	m := Hello{Version: b[0], Nonce: be.Uint32(b[1:])}
	if m.Nonce == 0 {
		return nil
	}
	return m
}

func parseSetParameters(b []byte) Message {
	return SetParameters{be.Uint16(b), Parameters{
		Frequency: be.Uint32(b[2:]), Bandwidth: be.Uint32(b[6:]), SpreadingFactor: b[10], CodingRate: b[11],
		Power: int8(b[12]), SyncWord: b[13], Preamble: be.Uint16(b[14:]),
	}}
}

func parseSend(b []byte) Message { return Send{be.Uint16(b), append([]byte(nil), b[2:]...)} }

func parsePing(b []byte) Message { return Ping{be.Uint32(b)} }

func parseModemHello(b []byte) Message {
	m := ModemHello{Version: b[0], Nonce: be.Uint32(b[1:]), MaxFrame: b[5], Firmware: string(b[6:])}
	if m.MaxFrame == 0 {
		return nil
	}
	return m
}

func parseParametersResult(b []byte) Message {
	m := ParametersResult{be.Uint16(b), Reason(b[2]), string(b[3:])}
	if m.Reason >= numReasons || m.Reason == ReasonNone && m.Text != "" {
		return nil
	}
	return m
}

func parseSendResult(b []byte) Message {
	m := SendResult{be.Uint16(b), Outcome(b[2]), int8(b[3]), be.Uint32(b[4:]), Reason(b[8]), string(b[9:])}
	switch {
	case m.Outcome >= numOutcomes || m.Reason >= numReasons,
		m.Outcome != Sent && (m.Power != 0 || m.Airtime != 0),
		m.Outcome != Refused && m.Text != "",
		(m.Outcome == Refused) != (m.Reason != ReasonNone):
		return nil
	}
	return m
}

func parseReceived(b []byte) Message {
	return Received{QuarterDB(be.Uint16(b)), QuarterDB(be.Uint16(b[2:])), int32(be.Uint32(b[4:])),
		append([]byte(nil), b[receivedFixed:]...)}
}

func parseNoise(b []byte) Message { return Noise{QuarterDB(be.Uint16(b))} }

func parseFault(b []byte) Message {
	m := FaultReport{FaultCode(b[0]), string(b[1:])}
	if m.Code >= numFaults || m.Code == FaultNone && m.Text != "" {
		return nil
	}
	return m
}

func parsePong(b []byte) Message {
	if b[4] > 1 {
		return nil
	}
	return Pong{be.Uint32(b), b[4] == 1, be.Uint32(b[5:])}
}

// airtime returns d in whole milliseconds, rounded up, as a SendResult carries it.
func airtime(d time.Duration) uint32 {
	ms := (d + time.Millisecond - 1) / time.Millisecond
	return uint32(max(0, min(ms, math.MaxUint32)))
}
