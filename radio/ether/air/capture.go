package air

// The spreading factors of a Matrix.
const (
	firstFactor = 5
	lastFactor  = 12
	factors     = lastFactor - firstFactor + 1
)

// Matrix holds by how many dB a frame must be stronger than what disturbs it. Rows are spreading factors of the wanted
// frame, 5 to 12, columns those of the disturbing one: the matrices are not symmetric. -Inf: never disturbed. +Inf:
// always lost.
type Matrix [factors][factors]float64

// Threshold is the cell for a wanted and a disturbing spreading factor, each 5 to 12.
func (m *Matrix) Threshold(wanted, disturbing int) float64 {
	return m[wanted-firstFactor][disturbing-firstFactor]
}

// Computed is from C. Goursaud and J.-M. Gorce, "Dedicated networks for IoT: PHY/MAC state of the art and challenges",
// EAI Endorsed Transactions on Internet of Things, 2015: computed, careful among equal factors, hopeful among others.
var Computed = extrapolate([6][6]float64{
	{6, -16, -18, -19, -19, -20},
	{-24, 6, -20, -22, -22, -22},
	{-27, -27, 6, -23, -25, -25},
	{-30, -30, -30, 6, -26, -28},
	{-33, -33, -33, -33, 6, -29},
	{-36, -36, -36, -36, -36, 6},
})

// Measured is from D. Croce, M. Gucciardo, S. Mangione, G. Santaromita and I. Tinnirello, "Impact of LoRa imperfect
// orthogonality: analysis of link-level performance", IEEE Communications Letters 22(4), 2018: measured.
var Measured = extrapolate([6][6]float64{
	{1, -8, -9, -9, -9, -9},
	{-11, 1, -11, -12, -13, -13},
	{-15, -13, 1, -13, -14, -15},
	{-19, -18, -17, 1, -17, -18},
	{-22, -22, -21, -20, 1, -20},
	{-25, -25, -25, -24, -23, 1},
})

// extrapolate adds the spreading factors 5 and 6, for which nothing was published, to a matrix of 7 to 12. A disturbing
// 5 or 6 counts as a 7, and a wanted one as a 7 that stands 3 dB a step less, which is about what a step costs in both
// matrices; among different factors, what would fall on the 7 against itself counts as 7 against 8.
func extrapolate(published [6][6]float64) (m Matrix) {
	for wanted := range m {
		for disturbing := range m[wanted] {
			row, column := max(wanted-2, 0), max(disturbing-2, 0)
			missing := max(2-wanted, 0)
			if wanted == disturbing {
				missing = 0
			} else if row == column {
				column++
			}
			m[wanted][disturbing] = published[row][column] + 3*float64(missing)
		}
	}
	return m
}

func (m *Matrix) linear() (out [factors][factors]float64) {
	for i := range m {
		for j := range m[i] {
			out[i][j] = linear(m[i][j])
		}
	}
	return out
}
