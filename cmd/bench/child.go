package main

const childVariable = "LONGLANE_BENCH_CHILD"

func runChild(string) int { return 0 }
