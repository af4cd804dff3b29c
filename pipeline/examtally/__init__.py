"""examtally: how accurate is the physical examination of the knee in our own hands?"""
