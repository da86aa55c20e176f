"""The review of takes measured: simulated players, human performances, fitted weights."""
