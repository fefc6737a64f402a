"""Where batches come from: live buses, recordings and tables of decoded channels."""
