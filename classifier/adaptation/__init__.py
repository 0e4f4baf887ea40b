"""What a reader learns from a few dozen confirmed birds of one flock: its last layer, no more.

`features` looks at photos, `bank` holds what must not be forgotten, `last_layer` fits, `trial`
says whether that is better, and `change` is what a reader wears over its shipped weights.
"""
