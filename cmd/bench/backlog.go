package main

func backlog(*bench) ([]row, error) { return nil, nil }
