"""Every act of a keeper, each in one function that all doors call.

An act is checked, written under the actor's name and the keeper's day, worked into the answers,
and returned with the name by which it can be taken back.
"""
