package lora

// RequiredSNR is the least signal-to-noise ratio, in dB, at which a frame of spreading factor sf can be demodulated:
// -2.5 dB at 5, 2.5 dB less for each step. Source: SX1261/2 datasheet, table of demodulator SNR.
func RequiredSNR(sf int) float64 { return -2.5 * float64(sf-4) }
