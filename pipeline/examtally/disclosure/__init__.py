"""What may leave the group: small counts hidden, and every figure that would give one back."""
