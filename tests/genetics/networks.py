"""A pedigree as one plain network, every bird a variable of its own."""

import numpy as np

from genetics.pedigree import checked_layer, pedigree_of
from genetics.pedigree_network import network


def plain_network(sire, dam, layer):
    """Factors and each bird's own evidence; variable i is bird i."""
    everyone = np.arange(len(sire))
    return network(pedigree_of(sire, dam), checked_layer(layer, len(sire)), 0, everyone, {})
