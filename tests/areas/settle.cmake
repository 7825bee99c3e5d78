# The look at the frames before rendering, and the file of what was decided.
broadloom_test(survey_test unit/survey_test.cpp LINK bl_shoot bl_render)
