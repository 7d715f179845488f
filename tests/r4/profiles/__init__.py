"""Profile cases by family, as data: what `test_profile_cases` judges."""
