"""Reads metrics by the parser of Prometheus's own client for Python, and prints each sample as a line of JSON."""

import json
import sys

from prometheus_client.parser import text_string_to_metric_families

for family in text_string_to_metric_families(sys.stdin.read()):
    for sample in family.samples:
        print(json.dumps([sample.name, sample.labels, sample.value, family.type]))
