"""Reading and writing the chunks of RIFF/WAVE, RF64 and BW64 files; pure, over a byte source."""
