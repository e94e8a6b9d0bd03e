"""The parts of an explanation, one module each; `loamline.core.explanation` puts them together."""
