"""Training, evaluation, calibration and export of the network; the only home of torch."""
