package plan

// What only tests need to see.
const (
	TripSize, HopSize, ReceiptSize, LongestSize = tripSize, hopSize, receiptSize, longestSize
)
