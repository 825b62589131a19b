"""What a bout width costs: field work, yield response, prices."""
