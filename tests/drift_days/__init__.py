"""Simulated days of checks whose truth is known: what is seen of a drift, and of a day without one?"""
