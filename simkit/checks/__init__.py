"""Is a case sound, and what will it compute?"""
