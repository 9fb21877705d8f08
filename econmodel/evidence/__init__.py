"""What studies and claims say: rates, numbers needed to treat, claims, pooling, power and registries."""
