"""Compiled kernels: arrays and numbers in, arrays filled, a status out."""
