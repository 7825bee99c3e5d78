# What the camera wrote about a set: capture order, twins, brackets, lock check, field of view.
broadloom_test(sequence_test unit/sequence_test.cpp LINK bl_gather)
broadloom_test(lock_check_test unit/lock_check_test.cpp LINK bl_gather)
broadloom_test(field_of_view_test unit/field_of_view_test.cpp LINK bl_gather)
