"""After the ride: tracks, reports of what was heard, comparison with the prediction, learning."""
