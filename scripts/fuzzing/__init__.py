"""Damaged and hostile input: seeds, mutations, checks and cases of scripts/fuzz_inputs."""
