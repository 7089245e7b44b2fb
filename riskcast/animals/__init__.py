"""What did we weigh, and which animals are those?"""
