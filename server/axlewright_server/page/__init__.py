"""The page for people: templates, plain script modules, and what they are fed with."""
