"""The wire contract, version 1: topics, SenML frames, messages and their AsyncAPI description."""
