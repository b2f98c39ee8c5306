"""The demo studio: made-up people, weeks of takes played by our own synthesizer, analysed like any others."""
