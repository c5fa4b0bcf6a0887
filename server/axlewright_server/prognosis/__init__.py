"""Prognosis: when a quantity reaches its limit, with an interval; or why that can't be told yet."""
